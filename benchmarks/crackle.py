"""A 12-megapixel photo measured, against decoding and smoothing the same photo."""

import time
from collections.abc import Callable

import cv2

from collector.imaging import crackle, photo, scale
from tests.imaging.synthetic import photograph, random_scene

SEEDS = (77, 101, 205)


def _best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs. [s]"""
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return min(spans)


def _measured(file: bytes) -> None:
    taken = photo.decode(file)
    crackle.measure(taken, scale.from_marker(taken))


def _smoothed(file: bytes) -> None:
    cv2.GaussianBlur(photo.decode(file).linear(), (0, 0), 8.0)


def run() -> list[str]:
    """Ratio of a whole measurement to decoding the photo and one wide blur over it, and seconds."""
    lines = []
    for seed in SEEDS:
        file, _ = photograph(random_scene(seed, width=4000))
        whole, bare = _best_of(3, lambda file=file: _measured(file)), _best_of(3, lambda file=file: _smoothed(file))
        lines.append(
            f"12-megapixel photo {seed}: {whole:.2f} s, "
            f"{whole / bare:.1f} times decoding and one wide blur ({bare:.2f} s)"
        )
    return lines


if __name__ == "__main__":
    print("\n".join(run()))
