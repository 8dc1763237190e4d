"""Run every benchmark of this folder, or those named: ``python -m benchmarks [NAME ...]``."""

import importlib
import pkgutil
import sys

import benchmarks


def main(names: list[str]) -> None:
    """Run each benchmark's ``run`` and print its lines as they come."""
    found = [module.name for module in pkgutil.iter_modules(benchmarks.__path__) if module.name != "__main__"]
    for name in names or found:
        print(f"== {name}", flush=True)
        for line in importlib.import_module(f"benchmarks.{name}").run():
            print(f"   {line}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
