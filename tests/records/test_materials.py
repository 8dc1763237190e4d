"""The example materials, and materials as TOML."""

from pathlib import Path

import pytest

from collector.errors import RecordError
from collector.records import documents
from collector.records.model import CHEMISTRIES, ROLES

EXAMPLES = documents.example_materials()


def test_every_chemistry_and_every_role_has_an_example():
    assert {material.chemistry for material in EXAMPLES} == set(CHEMISTRIES)
    assert {material.role for material in EXAMPLES} == set(ROLES)


def test_about_ten_materials_come_with_a_new_store(records):
    assert len(records.materials()) == len(EXAMPLES) >= 10


@pytest.mark.parametrize("material", EXAMPLES, ids=lambda material: material.name)
def test_every_value_tells_where_it_comes_from(material):
    assert material.stages
    assert all(len(stage.source) > 3 for stage in material.stages)
    assert len(material.limits.source) > 3
    assert material.recoat is not None
    assert len(material.recoat.source) > 3
    assert len(material.notes) > 10


@pytest.mark.parametrize("material", EXAMPLES, ids=lambda material: material.name)
def test_voc_is_what_the_volatile_volume_can_hold(material):
    # Organic solvents weigh 780 to 960 g/l (from memory: acetone 790, butoxyethanol 900, dipropylene glycol methyl
    # ether 950), so VOC lies near the organic volatile volume times that; the volumes are taken as additive. Acetone
    # is no VOC (40 CFR 51.100(s)).
    none = material.solvents.get("water", 0.0) + material.solvents.get("acetone", 0.0)
    organic_l_per_l = (1 - material.solids_volume_fraction) * (1 - none)
    assert 0.95 * 780 * organic_l_per_l <= material.voc_g_l <= 1.05 * 960 * organic_l_per_l


@pytest.mark.parametrize("material", EXAMPLES, ids=lambda material: material.name)
def test_stages_follow_one_another(material):
    order = {stage.stage: stage.low_h for stage in material.stages}
    assert order.get("set_to_touch", 0) <= order.get("dry_to_recoat", 1e9)
    assert order.get("set_to_touch", 0) <= order.get("dry_through", 1e9)


def test_only_waterborne_materials_have_a_film_forming_temperature():
    assert {m.chemistry for m in EXAMPLES if m.minimum_film_forming_c is not None} == {"waterborne"}


def test_only_the_urethane_holds_isocyanates():
    assert {m.chemistry for m in EXAMPLES if m.isocyanate} == {"two_component_urethane"}


def test_materials_survive_the_way_through_toml(records):
    text = records.export_materials_toml()
    assert documents.materials_from_toml(text) == [
        documents.from_document(documents.to_document(material)) for material in records.materials()
    ]


def test_importing_a_known_name_makes_a_new_version(records):
    first = records.materials()[0]
    text = documents.materials_to_toml([first])
    imported = records.import_materials_toml(text)
    assert [(material.name, material.version) for material in imported] == [(first.name, 2)]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", r"expected one or more \[\[material\]\] tables"),
        (
            "[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\ncolour='red'",
            "A: material: unknown field colour",
        ),
        ("[[material]]\nname='A'\nchemistry='paint'\nrole='sealer'", "A: chemistry 'paint'; expected one of solvent_"),
        ("[[material]]\nname='A'\nchemistry='shellac'", "A: material: .*role"),
        (
            "[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\n[material.solvents]\nethanol=0.5",
            "A: solvents add up to 0.500; expected 1",
        ),
        (
            "[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\n[material.limits]\nair_min_c=30\nair_max_c=10",
            "A: air_min_c 30 must be below air_max_c 10",
        ),
        ("[[material]", "not TOML"),
        ("[[material]]\nname=5\nchemistry='shellac'\nrole='sealer'", "5: name is 5; expected text"),
        ("[[material]]\nname='A'\nchemistry=[]\nrole='sealer'", r"A: chemistry \[\]; expected one of"),
        (
            "[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\nvoc_g_l='680'",
            "A: voc_g_l is '680'; expected a number from 0 to 1500",
        ),
        (
            "[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\nisocyanate='no'",
            "A: isocyanate is 'no'; expected true or false",
        ),
        ("[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\nsolvents=3", "A: solvents is 3; expected names"),
        ("[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\nstages=5", "A: stages is 5; expected"),
        ("[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\nlimits=5", "A: limits is 5; expected a table"),
        ("[[material]]\nname='A'\nchemistry='shellac'\nrole='sealer'\nnotes=5", "A: notes is 5; expected text"),
    ],
)
def test_a_wrong_material_is_named_and_nothing_is_written(records, text, told):
    before = records.materials()
    with pytest.raises(RecordError, match=told):
        records.import_materials_toml(text)
    assert records.materials() == before


def test_a_stage_may_be_there_once():
    material = EXAMPLES[0]
    document = documents.to_document(material)
    document["stages"] = [document["stages"][0]] * 2
    with pytest.raises(RecordError, match="stages: set_to_touch is there twice"):
        documents.from_document(document)


def test_a_file_that_is_no_text_is_named(records, tmp_path):
    (tmp_path / "sheet.toml").write_bytes("[[material]]\nname = 'Lacquer é'".encode("latin-1"))
    with pytest.raises(RecordError, match=r"sheet\.toml cannot be read as UTF-8 text"):
        records.import_materials_toml(tmp_path / "sheet.toml")


def test_the_material_in_the_documentation_can_be_imported(records):
    page = (Path(__file__).parents[2] / "docs" / "materials.md").read_text(encoding="utf-8")
    example = page.split("```toml\n")[1].split("```")[0]
    assert [material.name for material in records.import_materials_toml(example)] == ["Sanding sealer, own mix"]
