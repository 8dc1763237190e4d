"""What a rule says of the shop, and what the watch knows of each kind of alert: how long it must hold, and be gone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from collector.alerts.snapshot import Snapshot


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Something worth an alert, or nearly.

    Attributes
    ----------
    kind, subject : str
        One of :data:`KINDS`, and what it is about.
    raised : bool
        Past the threshold that raises. False: between that and the one that clears, or not to be told now; then an open
        alert stays open and none is opened. A condition that is not named at all is past the one that clears.
    level : str
        ``notice``, ``warning`` or ``danger``.
    what, why, what_to_do, caution : str
    since : datetime or None
        When it began; None where only the watch can tell.
    """

    kind: str
    subject: str
    booth: str
    raised: bool
    level: str
    what: str = ""
    why: str = ""
    what_to_do: str = ""
    caution: str = ""
    since: datetime | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Kind and subject: one open alert at most."""
        return self.kind, self.subject


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of alert: its name for a person, how long it must hold to be raised, and be gone to be over."""

    label: str
    raise_after: timedelta
    clear_after: timedelta


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A pure function of a snapshot, the kinds of alert it answers for, and the parts of a snapshot it needs.

    While a needed part is missing, or the rule fails, its open alerts stay as they are.
    """

    name: str
    kinds: tuple[str, ...]
    needs: tuple[str, ...]
    find: Callable[[Snapshot], Sequence[Condition]]


READY: Final = "ready"
RECOAT_CLOSING: Final = "recoat_closing"
RECOAT_CLOSED: Final = "recoat_closed"
POT_LIFE_ENDING: Final = "pot_life_ending"
POT_LIFE_ENDED: Final = "pot_life_ended"
LIMITS_LEFT: Final = "limits_left"
BLUSH: Final = "blush"
VAPOUR: Final = "vapour"
AIRFLOW: Final = "airflow"
FILTER_DUE: Final = "filter_due"
NODE_SILENT: Final = "node_silent"
SENSOR_FAULTY: Final = "sensor_faulty"
DISK_LOW: Final = "disk_low"


def _kind(label: str, raise_s: float, clear_s: float) -> Kind:
    return Kind(label=label, raise_after=timedelta(seconds=raise_s), clear_after=timedelta(seconds=clear_s))


KINDS: Final[Mapping[str, Kind]] = {
    READY: _kind("Ready for the next step", 0, 0),
    RECOAT_CLOSING: _kind("Recoat window closing", 60, 120),
    RECOAT_CLOSED: _kind("Recoat window closed", 60, 120),
    POT_LIFE_ENDING: _kind("Pot life ending", 0, 60),
    POT_LIFE_ENDED: _kind("Pot life ended", 0, 60),
    LIMITS_LEFT: _kind("Outside the material's limits", 30, 300),
    BLUSH: _kind("Blush conditions", 30, 300),
    VAPOUR: _kind("Vapour above the ceiling", 0, 300),
    AIRFLOW: _kind("Airflow", 30, 120),
    FILTER_DUE: _kind("Filter due", 300, 3_600),
    NODE_SILENT: _kind("Node silent", 120, 300),
    SENSOR_FAULTY: _kind("Sensor faulty", 30, 600),
    DISK_LOW: _kind("Disk low", 60, 600),
}
"""Times to raise and to clear are judgement, no source: a sensor's hiccup is no news, and a minute's calm no end."""
