"""The sanding budget over a real record store: where to stop, what more clear does, what the log teaches."""

from datetime import UTC, datetime, timedelta

import pytest

from collector.advice.sanding import budget, in_order, learned_of, log_of, sheets
from collector.errors import NotFound, RecordError
from collector.physics.sanding import Cut
from collector.records.model import Coat, Mix, Piece, Sanding
from collector.records.repository import open_records
from collector.settings import Sanding as SandingSettings
from collector.settings import Settings

NOW = datetime(2026, 3, 20, 9, tzinfo=UTC)
SETTINGS = Settings()
GRITS = ("P800", "P1000", "P1500", "P2000", "compound")


@pytest.fixture
def records(tmp_path):
    opened = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    yield opened
    opened.close()


def piece_of(records, coats: int, name: str = "Lap steel 3", material: str = "Nitrocellulose lacquer, clear") -> Piece:
    piece = records.add_piece(Piece(name=name))
    mix = records.add_mix(Mix(material=records.material(material), reducer_fraction=0.5))
    for index in range(coats):
        at = NOW - timedelta(days=30 - index)
        records.log_coat(
            Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at, wet_film_low_um=75,
                 wet_film_high_um=100)
        )  # fmt: skip
    return piece


def test_more_clear_lowers_the_chance_and_the_verdict_follows_the_limit(records):
    found = [budget(records, piece_of(records, n, f"Piece {n}"), GRITS, SETTINGS) for n in (1, 3, 6)]
    chances = [each.steps[-1].probability_through for each in found]
    assert chances == sorted(chances, reverse=True)
    assert [each.verdict for each in found] == ["hold", "hold", "go"]
    assert found[0].words.startswith("Do not start: P800")
    assert (found[2].stop_at, found[2].more) == ("compound", None)


def test_it_stops_at_the_last_grit_within_the_limit(records):
    piece = piece_of(records, 3)
    open_limit = budget(records, piece, GRITS, SETTINGS)
    chances = {step.name: step.probability_through for step in open_limit.steps}
    between = 50 * (chances["P1500"] + chances["P2000"])
    settings = Settings(sanding=SandingSettings(through_limit_pct=between))
    found = budget(records, piece, GRITS, settings)
    assert (found.verdict, found.stop_at) == ("marginal", "P1500")
    assert found.words.startswith("Stop after P1500: P2000 makes it")
    assert [step.within for step in found.steps] == [True, True, True, False, False]


def test_the_coats_it_asks_for_are_the_fewest_that_do(records):
    short = budget(records, piece_of(records, 2), GRITS, SETTINGS).more
    assert short is not None and short.coats is not None
    assert short.probability_through <= 0.05
    assert short.dry_um == pytest.approx(100 * 0.2 / 1.5, rel=0.3)
    # One fewer, laid to a gauge around the usual film, is not enough.
    piece = piece_of(records, 2, "Another")
    mix = records.coats(piece_id=piece.id)[0].mix
    for index in range(short.coats):
        at = NOW - timedelta(days=5 - index)
        coat = Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at, wet_film_low_um=90,
                    wet_film_high_um=110)  # fmt: skip
        before = budget(records, piece, GRITS, SETTINGS).steps[-1].probability_through
        assert before > 0.05
        records.log_coat(coat)
    assert budget(records, piece, GRITS, SETTINGS).steps[-1].probability_through <= 0.06


def test_a_rougher_texture_takes_more(records):
    piece = piece_of(records, 4)
    flat, rough = (budget(records, piece, GRITS, SETTINGS, texture_grade=grade) for grade in (1, 5))
    assert flat.steps[-1].probability_through < rough.steps[-1].probability_through
    assert rough.steps[0].removed_um - flat.steps[0].removed_um == pytest.approx(27, abs=4)


def test_without_clear_it_cannot_tell(records):
    assert budget(records, piece_of(records, 0), GRITS, SETTINGS).verdict == "cannot tell"


def test_outcomes_move_the_cut_and_a_withdrawn_one_no_longer_counts(records):
    piece = piece_of(records, 3)
    usual = budget(records, piece, GRITS, SETTINGS)
    assert "nothing learned" in usual.cut_words
    others = [piece_of(records, 3, f"Shell {index}") for index in range(6)]
    logged = [
        records.add_sanding(log_of(each, NOW, GRITS, through_at="P800", texture_grade=3, zone="rim")) for each in others
    ]
    after = budget(records, piece, GRITS, SETTINGS)
    assert "from 6 sandings of your own" in after.cut_words
    assert after.steps[0].probability_through > usual.steps[0].probability_through
    assert learned_of(records, SETTINGS).cut.scratch_per_grain > Cut().scratch_per_grain
    for one in logged:
        records.delete("sanding", one.id)
    assert budget(records, piece, GRITS, SETTINGS).steps == usual.steps


def test_an_outcome_is_judged_on_the_film_of_its_day(records):
    piece = piece_of(records, 3)
    records.add_sanding(log_of(piece, NOW, GRITS, through_at="P1000", texture_grade=3))
    known = learned_of(records, SETTINGS)
    at = NOW + timedelta(days=1)
    mix = records.coats(piece_id=piece.id)[0].mix
    records.log_coat(
        Coat(piece_id=piece.id, mix=mix, booth="booth-1", started_at=at, ended_at=at, wet_film_low_um=300,
             wet_film_high_um=400)
    )  # fmt: skip
    assert learned_of(records, SETTINGS) == known


def test_a_sheet_is_due_after_its_uses_until_a_fresh_one(records):
    piece = piece_of(records, 1)

    def used(day: float, fresh=()):
        at = NOW + timedelta(days=day)
        return log_of(piece, at, ("P800", "P1000"), through_at=None, fresh=fresh, minutes=20, area_m2=0.3)

    log = [used(day) for day in range(3)]
    due = [(each.grit, each.uses, each.due) for each in sheets(log, SETTINGS)]
    assert due == [("P800", 3, True), ("P1000", 3, True)]
    assert sheets(log, SETTINGS)[0].minutes == pytest.approx(30)
    assert sheets(log, SETTINGS)[0].area_m2 == pytest.approx(0.9)
    log.append(used(3, fresh=("P1000",)))
    assert [(each.uses, each.due) for each in sheets(log, SETTINGS)] == [(4, True), (1, False)]
    for each in log[:3]:
        records.add_sanding(each)
    assert budget(records, piece, ("P1000", "P1500"), SETTINGS).fresh == ("P1000",)


def test_isocyanates_are_cautioned_of_whatever_the_verdict(records):
    piece = piece_of(records, 1, material=next(m.name for m in records.materials() if m.isocyanate))
    assert budget(records, piece, GRITS, SETTINGS).to_dict()["cautions"][0].startswith("This mix contains isocyanates")


def test_picked_grits_are_put_in_order():
    assert in_order(["compound", "P2000", "P800", "P1200"]) == ["P800", "P1200", "P2000", "compound"]


@pytest.mark.parametrize(
    ("steps", "error", "words"),
    [
        (("P1000", "P800"), RecordError, "P800 after P1000"),
        (("P999",), NotFound, "'P999' is not in the table"),
        (("compound",), RecordError, "grits is empty"),
    ],
)
def test_grits_that_will_not_do_are_refused(records, steps, error, words):
    with pytest.raises(error, match=words):
        budget(records, piece_of(records, 1), steps, SETTINGS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"grits": ()}, "grits is empty"),
        ({"grits": ("800",)}, "grits '800'; expected a grade such as P800"),
        ({"grits": ("P1000", "P800")}, "each finer"),
        ({"through_at": "P800"}, "did not go through"),
        ({"through": True, "through_at": "P2000"}, "through_at 'P2000'; expected one of P800"),
        ({"texture_grade": 7}, "texture_grade 7; expected a whole number from 1 to 5"),
        ({"fresh": ("P1500",)}, "fresh 'P1500'"),
        ({"minutes": -1.0}, "minutes -1"),
    ],
)
def test_a_sanding_that_makes_no_sense_is_refused(change, words):
    with pytest.raises(RecordError, match=words):
        Sanding(**{"piece_id": 1, "at": NOW, "grits": ("P800",), **change})
