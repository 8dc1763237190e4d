"""Materials as documents: the JSON the database keeps, and the TOML a person edits."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, fields
from importlib import resources
from pathlib import Path
from typing import Any

import tomli_w

from collector.errors import RecordError
from collector.records.model import ApplicationLimits, Material, RecoatWindow, StageTime

NOT_WRITTEN = ("id", "version")


def to_document(material: Material) -> dict[str, Any]:
    """A material as plain JSON values."""
    document = asdict(material)
    document["stages"] = list(document["stages"])
    return {key: value for key, value in document.items() if key not in NOT_WRITTEN}


def from_document(document: Mapping[str, Any]) -> Material:
    """A material from plain values.

    Raises
    ------
    RecordError
        Naming the material and the field.
    """
    name = document.get("name", "a material without a name")
    try:
        plain = dict(document)
        nested: dict[str, Any] = {
            "limits": _made(ApplicationLimits, plain.pop("limits", {}), "limits"),
            "stages": tuple(_made(StageTime, stage, "stages") for stage in _listed(plain.pop("stages", ()))),
        }
        if plain.get("recoat") is not None:
            nested["recoat"] = _made(RecoatWindow, plain.pop("recoat"), "recoat")
        made: Material = _made(Material, {**plain, **nested}, "material")
        return made
    except RecordError as error:
        raise RecordError(f"{name}: {error}") from error


def materials_from_toml(text: str) -> list[Material]:
    """Materials of a TOML text with a ``[[material]]`` table each.

    Raises
    ------
    RecordError
        If the text is no TOML, holds no material, or one of them is wrong.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordError(f"not TOML: {error}") from error
    listed = tables.get("material")
    if not isinstance(listed, list) or not listed or set(tables) != {"material"}:
        raise RecordError("expected one or more [[material]] tables and nothing else")
    materials = [from_document(table) for table in listed]
    names = [material.name.casefold() for material in materials]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise RecordError(f"material {sorted(twice)[0]!r} is there twice")
    return materials


def materials_to_toml(materials: list[Material]) -> str:
    """Materials as TOML; values that are not set are left out."""
    return tomli_w.dumps({"material": [_without_none(to_document(material)) for material in materials]})


def example_materials() -> list[Material]:
    """The generic examples that come with tackfree, to be edited from a shop's own data sheets."""
    text = resources.files("collector.reference").joinpath("materials.toml").read_text(encoding="utf-8")
    return materials_from_toml(text)


def text_of(path: Path) -> str:
    """The text of a file; RecordError if it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"{path} cannot be read as UTF-8 text: {error}") from error


def _listed(values: Any) -> list[Any] | tuple[Any, ...]:
    if not isinstance(values, list | tuple):
        raise RecordError(f"stages is {values!r}; expected [[material.stages]] tables")
    return values


def _made(kind: Any, values: Any, label: str) -> Any:
    if not isinstance(values, Mapping):
        raise RecordError(f"{label} is {values!r}; expected a table")
    known = {item.name for item in fields(kind)} - set(NOT_WRITTEN)
    for key in values:
        if key not in known:
            raise RecordError(f"{label}: unknown field {key}; expected one of {', '.join(sorted(known))}")
    try:
        return kind(**values)
    except TypeError as error:
        raise RecordError(f"{label}: {error}") from error


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return [_without_none(item) for item in value]
    return value
