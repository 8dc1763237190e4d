"""The live demo: the simulated booth runs in real time, and two simulated nodes publish what they measure."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Final

import numpy as np

from collector.demo.nodes import SimulatedNode
from collector.demo.sensors import SENSORS
from collector.demo.simulation import Simulation, resumed

log = logging.getLogger(__name__)

PERIOD_S: Final = 5.0
CATCH_UP_MS: Final = 10 * 60_000
"""A pause up to this long is filled in, so that the live readings join the invented past without a gap."""


def run_demo_nodes(
    host: str,
    port: int,
    booth: str,
    seed: int,
    stop_event: threading.Event,
    period_s: float = PERIOD_S,
    *,
    zone: tzinfo = UTC,
    username: str | None = None,
    password: str | None = None,
    state_file: Path | None = None,
) -> None:
    """Run booth and nodes in real time until the event is set.

    The nodes are ``air-1`` and ``panel-1``. A broker that is away is tried again for ever; what was measured
    meanwhile is held and sent later.

    Parameters
    ----------
    host, port, username, password
        The broker.
    booth : str
        The booth's name in the topics.
    seed : int
        The invented shop; the same as its past's, so that the present goes on from it.
    period_s : float
        From sample to sample. [s]
    zone : tzinfo
        The shop's time zone.
    state_file : Path, optional
        Where :func:`collector.demo.simulation.save` left the past's booth.
    """
    simulation = resumed(state_file, seed, zone, _now_ms())
    nodes = {name: SimulatedNode(host, port, booth, name, username, password) for name in SENSORS}
    said: str | None = None
    try:
        for node in nodes.values():
            node.start(wait_s=0)
        while not stop_event.wait(period_s - time.time() % period_s):
            _sample(simulation, nodes, _now_ms(), round(period_s * 1000))
            failure = next((node.failure for node in nodes.values() if node.failure), None)
            if failure and failure != said:
                log.warning("%s", failure)
            said = failure
    finally:
        for node in nodes.values():
            node.stop()


def _sample(simulation: Simulation, nodes: Mapping[str, SimulatedNode], now_ms: int, period_ms: int) -> None:
    """Offer what was measured since the sample before: one sample, or a few after a pause of the process."""
    now_ms -= now_ms % period_ms
    if now_ms <= simulation.at_ms:
        return  # woken early, or the machine's clock was set back: nothing new until it is past what was sent
    if now_ms - simulation.at_ms <= CATCH_UP_MS:
        times = np.arange(now_ms, simulation.at_ms, -period_ms, dtype=np.int64)[::-1]
    else:
        times = np.array([now_ms], np.int64)
    values = simulation.measured(times)
    for index, time_ms in enumerate(times.tolist()):
        for name, node in nodes.items():
            node.offer({quantity: float(values[quantity][index]) for quantity in SENSORS[name]}, time_ms)


def _now_ms() -> int:
    return round(time.time() * 1000)
