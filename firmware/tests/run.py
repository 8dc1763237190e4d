"""Runs the node's tests under MicroPython: ``micropython tests/run.py [module ...]`` from ``firmware``.

Every function ``test_*`` of the modules named (or of all ``test_*.py`` here) is run; an async one in a fresh
event loop. Ends with 1 if any fails, if a module cannot be imported, and if no test was found at all.
"""

import asyncio
import os
import sys

sys.path[:0] = ["tests", "sim", "."]


def _failed(name, error):
    print("FAILED", name)
    sys.print_exception(error)


def main(names):
    if not names:
        names = sorted(f[:-3] for f in os.listdir("tests") if f.startswith("test_") and f.endswith(".py"))
    ran = failed = 0
    for name in names:
        try:
            module = __import__(name)
        except Exception as error:
            failed += 1
            _failed(name, error)
            continue
        for test in sorted(t for t in dir(module) if t.startswith("test_")):
            ran += 1
            function = getattr(module, test)
            try:
                outcome = function()
                if outcome is not None:
                    asyncio.new_event_loop()
                    asyncio.run(outcome)
            except Exception as error:
                failed += 1
                _failed(name + "." + test, error)
    print("%d ran, %d failed" % (ran, failed))
    return 1 if failed or not ran else 0


sys.exit(main(sys.argv[1:]))
