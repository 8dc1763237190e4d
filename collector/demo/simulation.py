"""Weather, booth, happenings and sensors from one seed: the past in one sweep, or live step by step."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from collector.demo.booth import Booth, BoothState
from collector.demo.plan import Plan
from collector.demo.schedule import Event, Schedule
from collector.demo.sensors import ISOBUTYLENE_FACTOR, Sensors
from collector.demo.weather import Weather
from collector.physics import humidity

FloatArray = npt.NDArray[np.float64]
TimeArray = npt.NDArray[np.int64]

STEP_MS: Final = 30_000
WARM_UP_MS: Final = 48 * 3_600_000
"""Long against walls (3 h) and moisture buffer (7 h), so that a start anywhere joins the same course."""

STATE_FILE: Final = "demo-booth.json"
RESUME_WITHIN_MS: Final = 30 * 86_400_000


class Simulation:
    """A booth of one seed, running from ``start_ms`` on.

    Two simulations of the same seed, anchor and events agree wherever they overlap, though they start at
    different times; so the live booth goes on where the invented past ends.

    Parameters
    ----------
    seed : int
    anchor_ms : int
        The demo's "now": the past lies before it. [ms since 1970, UTC]
    start_ms : int
        Where the simulation starts; the two days before run unseen. [ms since 1970, UTC]
    zone : tzinfo
        The shop's time zone, for the hour of the day.
    events : iterable of Event
        All that happens, before and after.
    battery_new_ms : sequence of int
        When the panel's battery was changed, in order. [ms since 1970, UTC]
    """

    def __init__(
        self,
        *,
        seed: int,
        anchor_ms: int,
        start_ms: int,
        zone: tzinfo,
        events: Iterable[Event],
        battery_new_ms: Sequence[int],
    ) -> None:
        offset = datetime.fromtimestamp(anchor_ms / 1000, UTC).astimezone(zone).utcoffset()
        self.weather = Weather(seed, anchor_ms, offset.total_seconds() if offset else 0.0)
        self.schedule = Schedule(events)
        self.booth = Booth()
        self.at_ms = start_ms - WARM_UP_MS
        around = self.weather.at(self.at_ms)
        self.booth.state = BoothState(
            humidity_ratio=around.shop_humidity_ratio,
            buffer_ratio=around.shop_humidity_ratio,
            filter_load=self.schedule.filter_load(self.at_ms, self.booth.design),
        )
        self._sensors = Sensors(seed, start_ms, battery_new_ms)
        self.truth(np.arange(self.at_ms + STEP_MS, start_ms + 1, STEP_MS))

    def state(self) -> dict[str, Any]:
        """All the simulation remembers, ready for JSON; :meth:`restore` takes it."""
        return {
            "at_ms": self.at_ms,
            "booth": dataclasses.asdict(self.booth.state),
            "sensors": dict(self._sensors.lagged),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from where another simulation of the same seed, anchor and events stood."""
        self.at_ms = int(state["at_ms"])
        self.booth.state = BoothState(**state["booth"])
        self._sensors.lagged = dict(state["sensors"])

    def truth(self, time_ms: TimeArray) -> dict[str, FloatArray]:
        """Run through the given times and give the booth's true state at each, by quantity.

        Raises
        ------
        ValueError
            If a time does not come after the one before it.
        """
        around = self.weather.series(time_ms)
        booth, schedule = self.booth, self.schedule
        columns = np.empty((6, len(time_ms)))
        for index, to_ms in enumerate(time_ms.tolist()):
            span_ms = to_ms - self.at_ms
            if span_ms <= 0:
                raise ValueError(f"time {to_ms} ms is not after {self.at_ms} ms, where the simulation stands")
            here = around[index]
            count = math.ceil(span_ms / STEP_MS)
            for step in range(count):
                start_ms = self.at_ms + step * span_ms / count
                end_ms = start_ms + span_ms / count
                if schedule.filter_changed(start_ms, end_ms):
                    booth.change_filter()
                booth.step(span_ms / count / 1000, here, schedule.doings(start_ms, end_ms))
            self.at_ms = to_ms
            state = booth.state
            columns[:, index] = (
                state.air_c,
                state.humidity_ratio,
                state.piece_c,
                booth.solvent_ppm(here.pressure),
                booth.booth_pressure,
                booth.face_velocity,
            )
        air_c, ratio, piece_c, solvent_ppm, booth_pressure, face_velocity = columns
        vapour = humidity.vapour_pressure_of_ratio(ratio, around.pressure)
        return {
            "air_temperature": air_c,
            "relative_humidity": np.asarray(humidity.relative_humidity_pct(air_c, vapour)),
            "surface_temperature": piece_c,
            "air_pressure": around.pressure,
            "voc_ppm": solvent_ppm / ISOBUTYLENE_FACTOR,
            "booth_pressure": booth_pressure,
            "face_velocity": face_velocity,
        }

    def measured(self, time_ms: TimeArray) -> dict[str, FloatArray]:
        """Run through the given times and give what the sensors show at each, by quantity."""
        return self._sensors.measure(time_ms, self.truth(time_ms))


def simulation_of_plan(plan: Plan, seed: int, start_ms: int) -> Simulation:
    """The simulation of a planned past and of what the demo does from then on."""
    return Simulation(
        seed=seed,
        anchor_ms=round(plan.anchor.timestamp() * 1000),
        start_ms=start_ms,
        zone=plan.zone,
        events=plan.events(),
        battery_new_ms=plan.battery_new_ms(),
    )


def save(simulation: Simulation, anchor_ms: int, seed: int, file: Path) -> None:
    """Keep where a simulation stands, so that another process can go on from there."""
    kept = {"anchor_ms": anchor_ms, "seed": seed, **simulation.state()}
    file.write_text(json.dumps(kept), encoding="utf-8")


def resumed(file: Path | None, seed: int, zone: tzinfo, now_ms: int) -> Simulation:
    """Where :func:`save` left a simulation; without a usable file, one whose "now" is the present.

    A file of another seed, damaged, or older than :data:`RESUME_WITHIN_MS` is not used.
    """
    try:
        kept = json.loads(file.read_text(encoding="utf-8")) if file is not None else {}
        anchor_ms = int(kept["anchor_ms"])
        if kept["seed"] == seed and 0 <= now_ms - int(kept["at_ms"]) < RESUME_WITHIN_MS:
            plan = Plan(datetime.fromtimestamp(anchor_ms / 1000, UTC), zone)
            simulation = simulation_of_plan(plan, seed, int(kept["at_ms"]))
            simulation.restore(kept)
            return simulation
    except (OSError, ValueError, KeyError, TypeError):
        pass  # nothing is lost: the booth starts anew, warmed up
    return simulation_of_plan(Plan(datetime.fromtimestamp(now_ms / 1000, UTC), zone), seed, now_ms)
