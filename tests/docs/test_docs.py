"""The documents say what the code does."""

import re
from pathlib import Path

import click
import pytest

from collector.cli import main
from collector.wire import QUANTITIES

ROOT = Path(__file__).parents[2]
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def commands(group: click.Group, path: str = "tackfree"):
    for name, command in sorted(group.commands.items()):
        if isinstance(command, click.Group):
            yield from commands(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


ALL_COMMANDS = dict(commands(main))


@pytest.mark.parametrize("name", ALL_COMMANDS)
def test_every_command_is_documented(name):
    assert name in (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ALL_COMMANDS)
def test_every_command_has_help_and_an_example(name):
    help_text = ALL_COMMANDS[name].help or ""
    assert "Example:" in help_text


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda quantity: quantity.name)
def test_every_quantity_is_in_the_wire_format(quantity):
    page = (ROOT / "docs" / "wire-format.md").read_text(encoding="utf-8")
    row = next(line for line in page.splitlines() if line.startswith(f"| `{quantity.name}`"))
    assert f"{quantity.low:.0f} .. {quantity.high:.0f}" in row
    assert f"`{quantity.unit}`" in row or quantity.unit is None


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_links_inside_the_project_lead_somewhere(document):
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", document.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (document.parent / target).exists(), target


NO_ROOM = {"__init__.py", "__pycache__", "errors.py", "reference"}
ROOMS = sorted(p.name for p in ROOT.glob("collector/*") if p.is_dir() or p.suffix == ".py")


@pytest.mark.parametrize("room", [name for name in ROOMS if name not in NO_ROOM])
def test_every_room_is_on_the_map(room):
    assert room in (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
