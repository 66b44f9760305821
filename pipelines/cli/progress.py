"""Progress on the error stream: bars on a terminal, one line a step elsewhere, so that logs stay readable."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn


class Steps:
    """The steps of one job, each with its own bar."""

    def __init__(self, console: Console, progress: Progress) -> None:
        self._console = console
        self._progress = progress

    @property
    def console(self) -> Console:
        """Return the console on which a sentence can be said while bars are shown."""
        return self._progress.console

    def step(self, says: str, total: int | None) -> Callable[..., None]:
        """Begin a step and return what to call after each item of it."""
        if not self._console.is_terminal:
            self._console.print(f"{says} ...", highlight=False)
        task = self._progress.add_task(says, total=total)

        def one_more(*_: object) -> None:
            self._progress.advance(task)
        return one_more

    def counter(self, says: str) -> Callable[..., None]:
        """Begin a step whose length is told on the way: call with (done, total)."""
        if not self._console.is_terminal:
            self._console.print(f"{says} ...", highlight=False)
        task = self._progress.add_task(says, total=None)

        def at(done: int, total: int, *_: object) -> None:
            self._progress.update(task, completed=done, total=total)
        return at


@contextmanager
def steps() -> Iterator[Steps]:
    """Show progress while the block runs."""
    console = Console(stderr=True)
    with Progress(TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
                  console=console, disable=not console.is_terminal) as progress:
        yield Steps(console, progress)
