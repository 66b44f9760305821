"""Where the demo fleet is found."""

from pathlib import Path

from pipelines.errors import RequestError


def sample_logs_folder() -> Path:
    """
    Return the folder of the demo scenario in the checkout this code stands in, or in the current folder.

    Raises
    ------
    RequestError
        If neither has it: the installed package comes without the demo's logger files.
    """
    checkout = Path(__file__).resolve().parents[2]
    for base in (checkout, Path.cwd()):
        if (base / "sample-logs" / "fleet" / "fleet.toml").is_file():
            folder = base / "sample-logs"
            return folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder
    raise RequestError("The demo's logger files are not part of the installed package. Get the source tree of "
                       "liftledger and run `liftledger demo` in its top folder; or begin a fleet of your own with "
                       "`liftledger start FOLDER`.")


def demo_fleet_folder() -> Path:
    """Return the demo's fleet folder."""
    return sample_logs_folder() / "fleet"
