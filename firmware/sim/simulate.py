"""The node's own program on a simulated board in a simulated booth: ``micropython sim/simulate.py CONFIG``.

From the firmware folder. A second argument is how many times faster than life the sensors' time runs, a third a
JSON file of what there is to measure (``simbooth.FollowedBooth``).
"""

import sys

sys.path[:0] = ["sim", "."]

import simbooth
from node import config, pace

import main


def run(path="config.json", speed="1", world=None):
    pace.SPEED = int(speed)
    try:
        simbooth.furnish(config.load(path), simbooth.FollowedBooth(world) if world else None)
    except config.ConfigError as error:
        print("tackfree node:", error)
        return 1
    return main.main(path)


if __name__ == "__main__":
    sys.exit(run(*sys.argv[1:4]))
