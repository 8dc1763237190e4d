"""Choices that live in the page's address, so that a link or a reload brings them back."""

from __future__ import annotations

from typing import Any

import streamlit as st

from collector.errors import NotFound
from collector.records.model import Material, Piece
from dashboard import data, words


def choose_material() -> Material | None:
    """The material about to be sprayed; the one of the newest coat unless the address names one."""
    materials = {material.id: material for material in data.materials()}
    if not materials:
        return None
    recent = [mix.material.id for mix in data.mixes() if mix.material.id in materials]
    first = recent[0] if recent else next(iter(materials))
    chosen = _select("Material", "material", list(materials), first, lambda number: materials[number].name)
    return materials[chosen]


def choose_piece() -> Piece | None:
    """The piece about to be sprayed, or none."""
    pieces = {piece.id: piece for piece in data.pieces()}
    names = {0: "Any piece", **{number: piece.name for number, piece in pieces.items()}}
    chosen = _select("Piece", "piece", list(names), 0, lambda number: names[number])
    return pieces.get(chosen)


def choose_booth(place: Any) -> str:
    """The booth; asked for only where there are several."""
    booths = data.booths()
    named = st.query_params.get("booth", booths[0])
    if named not in booths:
        st.error(f"There is no booth {named[:40]!r}; showing {booths[0]}.")
        named = booths[0]
    if place is None:
        return named
    with place:
        chosen = st.selectbox("Booth", booths, index=booths.index(named), key="choice-booth")
    st.query_params["booth"] = chosen
    return chosen


def from_address(parameter: str, known: list[int]) -> int | None:
    """The number the address names, or None; one that is not known is said to be so."""
    text = st.query_params.get(parameter)
    if text is None:
        return None
    try:
        number = int(text)
    except ValueError:
        number = -1
    if number in known:
        return number
    raise NotFound(f"the link names {parameter} {text[:40]!r}, which is not there; choose another below")


def _select(label: str, parameter: str, numbers: list[int], first: int, show: Any) -> int:
    key, seen = f"choice-{parameter}", f"seen-{parameter}"
    state = st.session_state
    if st.query_params.get(parameter) != state.get(seen):  # a link was followed, by somebody or from another page
        try:
            named = from_address(parameter, numbers)
        except NotFound as error:
            st.error(words.sentence(str(error)))
            named = None
        state[key] = state.get(key) if named is None else named
    if state.get(key) not in numbers:
        state[key] = first
    chosen: int = st.selectbox(label, numbers, format_func=show, key=key)
    if chosen != first or parameter in st.query_params:
        st.query_params[parameter] = str(chosen)
    state[seen] = st.query_params.get(parameter)
    return chosen
