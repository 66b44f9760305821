"""
The scheduled service: one long-lived local scheduler and the two flows on their days.

    python -m pipelines.flows.serve FLEET --out OUT

Without a server of its own every run would start and stop one (six seconds each, and its database locks itself now and
then with pages of traceback). So this program starts one server beside itself, waits until it answers, serves both
flows, and stops it again when it is stopped. Set PREFECT_API_URL to use a server that already runs.
"""

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection, HTTPException
from pathlib import Path

_START_S = 120.0
# No news to the makers of the scheduler, and none of its services that two flows on cron lines do not need: two of them
# writing at once is what locks its small database and fills the log with tracebacks.
_QUIET = {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1",
          "PREFECT_SERVER_SERVICES_LATE_RUNS_ENABLED": "false", "PREFECT_SERVER_SERVICES_TRIGGERS_ENABLED": "false",
          "PREFECT_SERVER_SERVICES_FOREMAN_ENABLED": "false",
          "PREFECT_SERVER_SERVICES_PAUSE_EXPIRATIONS_ENABLED": "false",
          "PREFECT_SERVER_SERVICES_CANCELLATION_CLEANUP_ENABLED": "false", "PREFECT_LOGGING_COLORS": "false"}


def main(argv: list[str] | None = None) -> None:
    """Serve both flows until stopped."""
    parser = argparse.ArgumentParser(prog="python -m pipelines.flows.serve",
                                     description="Run the nightly and the monthly job of a fleet on their schedules.")
    parser.add_argument("fleet", type=Path, help="folder that holds fleet.toml")
    parser.add_argument("--out", type=Path, default=None, help="folder for results")
    parser.add_argument("--nightly", default="30 2 * * *", help="cron line of the nightly job (default: %(default)s)")
    parser.add_argument("--monthly", default="0 6 2 * *", help="cron line of the letters (default: %(default)s)")
    parser.add_argument("--port", type=int, default=4265, help="local port of the scheduler (default: %(default)s)")
    parser.add_argument("--workers", type=int, default=2, help="sites worked out at once (default: %(default)s)")
    asked = parser.parse_args(argv)

    from pipelines.errors import ProjectError
    from pipelines.stages import loading, moments
    from pipelines.stages.outfolder import OutFolder

    try:
        fleet = loading.load(asked.fleet)
        out = OutFolder.of(asked.fleet, asked.out)
        out.claim(asked.fleet)
        zone = moments.zone_of(fleet)
        with _scheduler(out.root / "service", asked.port):
            _serve(asked, out, zone)
    except ProjectError as error:
        print(str(error), file=sys.stderr)
        sys.exit(2)


def _serve(asked: argparse.Namespace, out, zone: str) -> None:
    from prefect import serve
    from prefect.deployments.runner import EntrypointType
    from prefect.schedules import Cron

    from pipelines.flows.monthly import monthly
    from pipelines.flows.nightly import nightly

    folders = {"fleet_folder": str(asked.fleet.resolve()), "out": str(out.root)}
    by_module = EntrypointType.MODULE_PATH
    every_night, every_month = Cron(asked.nightly, timezone=zone), Cron(asked.monthly, timezone=zone)
    serve(
        nightly.to_deployment("liftledger-nightly", schedule=every_night, entrypoint_type=by_module,
                              parameters={**folders, "workers": asked.workers}),
        monthly.to_deployment("liftledger-monthly", schedule=every_month, entrypoint_type=by_module,
                              parameters=folders),
        limit=1,                                                # the ledger has one writer
        pause_on_shutdown=False, print_starting_message=False)


@contextmanager
def _scheduler(home: Path, port: int) -> Iterator[None]:
    """Run a local server for the time of the block, unless PREFECT_API_URL names one."""
    if os.environ.get("PREFECT_API_URL"):
        yield
        return
    home.mkdir(parents=True, exist_ok=True)
    os.environ |= _QUIET | {"PREFECT_HOME": str(home), "PREFECT_API_URL": f"http://127.0.0.1:{port}/api"}
    command = [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port),
               "--no-ui"]
    with (home / "scheduler.log").open("ab") as log:
        server = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)  # noqa: S603
    try:
        _wait_for(server, port, home / "scheduler.log")
        print(f"Scheduler on 127.0.0.1:{port}, its log in {home / 'scheduler.log'}. Stop with Ctrl-C.", flush=True)
        yield
    finally:
        server.terminate()
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()


def _wait_for(server: "subprocess.Popen[bytes]", port: int, log: Path) -> None:
    from pipelines.errors import ProjectError

    until = time.monotonic() + _START_S
    while time.monotonic() < until:
        if server.poll() is not None:
            raise ProjectError("the local scheduler stopped while starting.", file=log,
                               mend="Read the end of that file; if the port is taken, choose another with --port.")
        if _answers(port):
            return
        time.sleep(0.3)
    raise ProjectError(f"the local scheduler did not answer within {_START_S:.0f} s.", file=log,
                       mend="Read the end of that file, then try again.")


def _answers(port: int) -> bool:
    connection = HTTPConnection("127.0.0.1", port, timeout=2)
    try:
        connection.request("GET", "/api/health")
        return connection.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()


if __name__ == "__main__":
    main()
