"""Run every benchmark of this folder, one after the other: ``python -m tests.benchmarks``."""

import importlib
import pkgutil
import sys

import tests.benchmarks as folder


def main() -> None:
    """Run the `main` of every module whose name begins with ``bench_``."""
    names = sorted(found.name for found in pkgutil.iter_modules(folder.__path__) if found.name.startswith("bench_"))
    sys.argv = sys.argv[:1]
    for name in names:
        print(f"== {name.removeprefix('bench_').replace('_', ' ')} ==", flush=True)
        importlib.import_module(f"tests.benchmarks.{name}").main()
        print()


if __name__ == "__main__":
    main()
