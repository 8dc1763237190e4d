"""tackfree calc ventilation: the known answer, what is left out, and both sides of fire and breathing."""

import json

import pytest
from click.testing import CliRunner

from collector.cli import main


def run(*arguments: str):
    return CliRunner().invoke(main, ["calc", "ventilation", *arguments])


KNOWN = (
    "--blend", "toluene=1", "--rate-ml-min", "100", "--exhaust-m3-h", "1019.4", "--volume-m3", "12",
    "--mixing-factor", "1",
)  # fmt: skip


def answer(*arguments: str):
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_a_hundred_millilitres_of_toluene_a_minute_in_600_cfm():
    # By hand with 24.06 l/mol, 92.14 g/mol and 0.868 g/ml: 22.67 l/min, 1,335 ppm. The table's 0.8669 g/ml (thermo
    # 0.6.1 at 20 °C) gives 0.2 % less.
    found = answer(*KNOWN)
    assert found["steady_ppm"] == pytest.approx(1_335, rel=3e-3)
    assert found["vapour_m3_h"] * 1000 / 60 == pytest.approx(22.67, rel=3e-3)
    # 6.7 times OSHA's 200 ppm and twice that of NIOSH's 100 ppm
    assert found["exposure_index_pel"] == pytest.approx(6.7, abs=0.05)
    assert found["exposure_index_rel"] == pytest.approx(13.3, abs=0.1)
    # 12 / 1019.4 h times ln 10
    assert found["purge_minutes_to_10pct"] == pytest.approx(1.626, abs=1e-3)


def test_the_share_of_the_flammable_limit_follows_the_limit_taken():
    # About 12 % of NIOSH's 1.1 %; the table takes the lowest cited, 1.0 % (IEC 60079-20-1)
    assert answer(*KNOWN, "--lfl-pct", "toluene=1.1")["percent_of_lfl"] == pytest.approx(12.1, abs=0.05)
    own = answer(*KNOWN)
    lfl = next(limit for limit in own["limits"] if limit["limit"] == "lfl")
    assert own["percent_of_lfl"] == pytest.approx(own["steady_ppm"] / 1e4 / lfl["value"] * 100)
    assert own["lfl_pct"] == pytest.approx(lfl["value"])
    assert "IEC" in lfl["source"]


def test_exhaust_needed_is_for_the_most_demanding_limit_and_each_is_told():
    found = answer(*KNOWN)
    each = {key: found[f"exhaust_needed_{key}_m3_h"] for key in ("fire", "pel", "rel")}
    assert found["exhaust_needed_m3_h"] == max(each.values())
    at_that = answer(*KNOWN[:5], str(each["pel"]), *KNOWN[6:])
    assert at_that["exposure_index_pel"] == pytest.approx(1)
    at_that = answer(*KNOWN[:5], str(each["fire"]), *KNOWN[6:])
    assert at_that["percent_of_lfl"] == pytest.approx(25)
    assert answer(*KNOWN, "--lfl-ceiling-pct", "10")["exhaust_needed_fire_m3_h"] == pytest.approx(2.5 * each["fire"])


def test_poor_mixing_counts_as_less_exhaust():
    well, poor = answer(*KNOWN), answer(*KNOWN[:-1], "4")
    for key in ("steady_ppm", "percent_of_lfl", "purge_minutes_to_10pct", "exhaust_needed_m3_h"):
        assert poor[key] == pytest.approx(4 * well[key])
    assert poor["plug_flow_ppm"] == pytest.approx(well["steady_ppm"])


def test_a_short_coat_peaks_below_the_lasting_value_and_thins_out_over_a_shift():
    found = answer(*KNOWN[:-1], "5", "--minutes", "2")
    assert 0 < found["peak_ppm"] < found["steady_ppm"]
    assert found["shift_mean_ppm"] < found["peak_ppm"] * 2 / 480


def test_a_person_is_told_that_fire_is_within_and_breathing_is_not():
    lines = run(*KNOWN).output
    assert "fire              13.3 % of the LFL: within the 25 % you set" in lines
    assert "6.7 x the OSHA PEL: OVER" in lines
    assert "precedence" in lines
    assert "safe " not in lines.lower().replace("product's safety data sheet", "")


def test_a_solvent_without_a_limit_is_named_and_the_sum_is_a_least_value():
    blend = ("--blend", "toluene=0.1,ethyl 3-ethoxypropionate=0.9")
    found = answer(*blend, *KNOWN[2:])
    assert found["without_limit"]["pel"] == ["ethyl 3-ethoxypropionate"]
    alone = found["by_solvent_ppm"]["toluene"] / 200
    assert found["exposure_index_pel"] == pytest.approx(alone)
    assert "at least, as ethyl 3-ethoxypropionate has no limit" in run(*blend, *KNOWN[2:]).output


def test_a_blend_with_no_exposure_limit_at_all_cannot_be_told():
    blend = ("--blend", "ethyl 3-ethoxypropionate=1")
    found = answer(*blend, *KNOWN[2:])
    assert found["exposure_index_pel"] is None
    assert found["exhaust_needed_pel_m3_h"] is None
    assert "OSHA PEL cannot tell" in run(*blend, *KNOWN[2:]).output


def test_what_cannot_be_summed_is_never_called_within():
    # A little toluene in much of a solvent without a limit: below 1 is then no finding
    lines = run("--blend", "toluene=0.01,eep=0.99", *KNOWN[2:-1], "1").output
    assert "x the OSHA PEL, at least" in lines
    assert "cannot tell if within" in lines


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("--rate-ml-min", "-1"), "--rate-ml-min -1 ml/min; expected 0.01 to 100000 ml/min"),
        (("--exhaust-m3-h", "0"), "--exhaust-m3-h 0 m³/h; expected 1 to 1e+06 m³/h"),
        (("--volume-m3", "nan"), "--volume-m3 nan m³; expected 0.1 to 100000 m³"),
        (("--mixing-factor", "0.5"), "--mixing-factor 0.5; expected 1 to 20"),
        (("--blend", "tolune=1"), "did you mean toluene"),
        (("--blend", "toluene=0.4"), "blend adds up to 0.400; expected 1"),
        (("--blend", "toluene"), "expected name=fraction"),
        (("--lfl-pct", "toluene=0"), "expected name=percent by volume"),
        (("--lfl-pct", "acetone=2.5"), "not in the blend"),
    ],
)
def test_a_mistake_ends_with_one_line_that_names_it(change, told):
    result = run(*KNOWN, *change)
    assert result.exit_code in (1, 2)
    assert told in result.output
    assert "Traceback" not in result.output
