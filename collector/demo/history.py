"""The demo's past, written straight into the stores: weeks of readings, and the pieces and coats they belong to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from collector import wire
from collector.demo.pieces import PIECES, SOLVENTS, PlannedCoat, PlannedPiece, PlannedSanding
from collector.demo.plan import Plan
from collector.demo.sensors import AIR_NODE, PANEL_NODE, SENSORS
from collector.demo.simulation import Simulation, save, simulation_of_plan
from collector.errors import NotFound
from collector.readings.base import Batch, ReadingStore
from collector.records.model import Check, Coat, Material, Mix, Outcome, Piece, Sanding, SolventUse
from collector.records.repository import Records
from collector.records.schedule import Schedule, template

FloatArray = npt.NDArray[np.float64]
TimeArray = npt.NDArray[np.int64]

DAY_MS: Final = 86_400_000
FINE_MS: Final = 5_000
COARSE_MS: Final = 60_000
"""The last day is as close as live readings come; what is older is shown by the minute or coarser anyway."""

BATCH_SAMPLES: Final = 3_000


def fill(
    readings_store: ReadingStore,
    records: Records,
    *,
    now: datetime,
    seed: int,
    days: int = 21,
    time_zone: tzinfo,
    booth: str,
    state_file: Path | None = None,
) -> Simulation:
    """Write a past that ends at ``now`` into two new stores.

    Parameters
    ----------
    readings_store, records
        The stores; the record store with its example materials and no pieces.
    now : datetime
        Aware.
    seed : int
        Same seed and now, same past.
    days : int
        How far back it reaches. [d]
    time_zone : tzinfo
        The shop's.
    booth : str
        The booth's name in the topics.
    state_file : Path, optional
        Where to keep how the booth stands at ``now``, for the live nodes to go on from; in the data folder
        under the name :data:`collector.demo.simulation.STATE_FILE` they find it.

    Returns
    -------
    Simulation
        The booth as it stands at ``now``.

    Raises
    ------
    ValueError
        If ``now`` is not aware or ``days`` is below 1.
    Conflict
        If the record store holds the invented pieces already.
    """
    if now.tzinfo is None:
        raise ValueError(f"now {now.isoformat()} has no time zone; expected an aware time")
    if days < 1:
        raise ValueError(f"days {days}; expected at least 1")
    plan = Plan(now, time_zone)
    fill_records(records, plan, days=days, booth=booth)
    simulation = fill_readings(readings_store, plan, seed=seed, days=days, booth=booth)
    if state_file is not None:
        save(simulation, _ms(plan.anchor), seed, state_file)
    return simulation


def fill_records(records: Records, plan: Plan, *, days: int, booth: str) -> None:
    """Write the invented pieces with coats, checks, outcomes, and the solvent used, as far as ``days`` reaches."""
    earliest = plan.anchor - timedelta(days=days) + timedelta(hours=2)
    materials = records.materials()
    for planned in PIECES:
        coats = [coat for coat in planned.coats if plan.started_at(coat) > earliest]
        if planned.coats and not coats:
            continue
        piece = records.add_piece(
            Piece(
                name=planned.name,
                substrate=planned.substrate,
                thickness_mm=planned.thickness_mm,
                owner_reference="Demo",
                note=planned.note,
                due=None if planned.due_days is None else plan.anchor + timedelta(days=planned.due_days),
            )
        )
        for coat in coats:
            _fill_coat(records, plan, coat, _material_for(coat, materials), piece.id, booth)
        for sanded in planned.sandings:
            at = plan.at(sanded.workday, sanded.hour)
            if earliest < at < plan.anchor:
                records.add_sanding(_sanding(sanded, piece.id, at))
        if planned.schedule:
            _fill_schedule(records, plan, planned, piece.id)
        if planned.done_workday is not None:
            records.edit_piece(replace(piece, done_at=plan.at(planned.done_workday, 16.5)))
    for used in SOLVENTS:
        at = plan.at(used.workday, used.hour)
        if earliest < at < plan.anchor:
            records.add_solvent_use(
                SolventUse(at=at, what=used.what, litres=used.litres, voc_g_l=used.voc_g_l, note=used.note)
            )


def _sanding(planned: PlannedSanding, piece_id: int, at: datetime) -> Sanding:
    return Sanding(
        piece_id=piece_id,
        at=at.astimezone(UTC),
        grits=planned.grits,
        texture_grade=planned.texture_grade,
        compounded=planned.compounded,
        through=bool(planned.through_at),
        through_at=planned.through_at,
        zone=planned.zone,
        fresh=planned.fresh,
        minutes=planned.minutes,
        note=planned.note,
    )


def _fill_schedule(records: Records, plan: Plan, planned: PlannedPiece, piece_id: int) -> None:
    ticked = {tick.place: tick for tick in planned.ticks}
    chosen = template(planned.schedule)
    steps = tuple(
        replace(step, done_at=plan.at(ticked[place].workday, ticked[place].hour), done_min=ticked[place].minutes)
        if place in ticked
        else step
        for place, step in enumerate(chosen.steps, start=1)
    )
    begun = plan.started_at(planned.coats[0]) if planned.coats else plan.anchor
    records.schedules.copy(
        Schedule(piece_id=piece_id, template=chosen.name, steps=steps, copied_at=begun - timedelta(days=1))
    )


def _fill_coat(
    records: Records, plan: Plan, planned: PlannedCoat, material: Material, piece_id: int, booth: str
) -> None:
    started_at, ended_at = plan.started_at(planned), plan.ended_at(planned)
    mix = records.add_mix(
        Mix(
            material=material,
            reducer_fraction=planned.reducer_fraction,
            retarder_fraction=planned.retarder_fraction,
            catalyst_fraction=planned.catalyst_fraction,
            mixed_at=started_at - timedelta(minutes=12),
        )
    )
    coat = records.log_coat(
        Coat(
            piece_id=piece_id,
            mix=mix,
            booth=booth,
            started_at=started_at,
            ended_at=ended_at,
            passes=planned.passes,
            wet_film_low_um=planned.wet_film_um[0],
            wet_film_high_um=planned.wet_film_um[1],
            sprayed_ml=planned.sprayed_ml if planned.volume_noted else None,
            gun_note=planned.gun_note,
            note=planned.note,
        )
    )
    for check in planned.checks:
        at = ended_at + timedelta(hours=check.after_h)
        if at < plan.anchor:
            records.add_check(
                Check(
                    coat_id=coat.id,
                    at=at,
                    stage=check.stage,
                    method=check.method,
                    passed=check.passed,
                    note=check.note,
                )
            )
    for outcome in planned.outcomes:
        seen_at = ended_at + timedelta(hours=outcome.after_h)
        if seen_at < plan.anchor:
            records.add_outcome(
                Outcome(
                    coat_id=coat.id,
                    seen_at=seen_at,
                    defect=outcome.defect,
                    degree=outcome.degree,
                    zone=outcome.zone,
                    note=outcome.note,
                )
            )


def _material_for(coat: PlannedCoat, materials: Sequence[Material]) -> Material:
    """The example material of the coat's chemistry, of its role if there is one."""
    fitting = [material for material in materials if material.chemistry == coat.chemistry]
    if not fitting:
        raise NotFound(f"no material of chemistry {coat.chemistry}; expected the example materials")
    return next((material for material in fitting if material.role == coat.role), fitting[0])


def fill_readings(store: ReadingStore, plan: Plan, *, seed: int, days: int, booth: str) -> Simulation:
    """Write the booth's readings of the days before the plan's "now"; gives the simulation as it stands then."""
    last_ms = _ms(plan.anchor) // FINE_MS * FINE_MS
    fine_from_ms = (last_ms - DAY_MS) // COARSE_MS * COARSE_MS
    start_ms = last_ms - days * DAY_MS
    coarse = np.arange(start_ms // COARSE_MS * COARSE_MS + COARSE_MS, fine_from_ms + 1, COARSE_MS)
    fine = np.arange(fine_from_ms + FINE_MS, last_ms + 1, FINE_MS)
    time_ms = np.concatenate([coarse, fine])
    simulation = simulation_of_plan(plan, seed, int(time_ms[0]) - COARSE_MS)
    values = simulation.measured(time_ms)
    for node, group in SENSORS.items():
        present = _present(node, time_ms, plan)
        shown = {quantity: values[quantity][present] for quantity in group}
        for packs in _packs(booth, node, time_ms[present], shown):
            store.write(Batch(packs=packs))
    # The nodes are not running yet, and say so until they do.
    store.write(
        Batch(
            statuses=[
                wire.NodeStatus(
                    booth=booth,
                    node=node,
                    received_ms=last_ms,
                    online=False,
                    details={"state": "offline", "firmware": "simulated"},
                )
                for node in SENSORS
            ]
        )
    )
    return simulation


def _present(node: str, time_ms: TimeArray, plan: Plan) -> npt.NDArray[np.bool_]:
    """Which samples a node did send: one was unplugged over a noon, the other's battery died in a night."""
    present = np.ones(len(time_ms), np.bool_)
    for workday, from_h, to_h in {AIR_NODE: [(4, 12.1, 12.8)], PANEL_NODE: [(6, 3.4, 8.5)]}[node]:
        away = (time_ms >= _ms(plan.at(workday, from_h))) & (time_ms < _ms(plan.at(workday, to_h)))
        present &= ~away
    return present


def _packs(booth: str, node: str, time_ms: TimeArray, values: dict[str, FloatArray]) -> Iterator[list[wire.Pack]]:
    """Readings in batches, a pack for each quantity: the store keeps no packs, so fewer and larger will do."""
    for first in range(0, len(time_ms), BATCH_SAMPLES):
        span = slice(first, first + BATCH_SAMPLES)
        times = time_ms[span].tolist()
        yield [
            wire.Pack(
                booth=booth,
                node=node,
                kind="readings",
                received_ms=times[-1],
                readings=tuple(
                    wire.Reading(
                        booth=booth,
                        node=node,
                        quantity=quantity,
                        unit=wire.QUANTITIES[quantity].unit,
                        time_ms=at_ms,
                        value=value,
                    )
                    for at_ms, value in zip(times, column[span].tolist(), strict=True)
                ),
            )
            for quantity, column in values.items()
        ]


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
