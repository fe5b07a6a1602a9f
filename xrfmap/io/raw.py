"""Raw blocks: where the numbers lie, from a card."""

from __future__ import annotations

import math
from pathlib import Path

from xrfmap.errors import InputError
from xrfmap.io.card import Card, Padding
from xrfmap.io.safe import clean_text, require_file
from xrfmap.io.strided import Layout, Number
from xrfmap.numbers import whole

__all__ = ["layout_of_card", "raw_layout"]


def layout_of_card(card: Card, where: str) -> Layout:
    """Byte position and steps of a raw block.

    Parameters
    ----------
    card : Card
        With type, axes and shape.
    where : str
        File, for the message.

    Returns
    -------
    Layout
        Offset, shape and strides.

    Raises
    ------
    InputError
        If the card lacks type, axes or shape.
    """
    if card.type is None or card.axes is None or card.shape is None:
        missing = [n for n in ("type", "axes", "shape") if getattr(card, n) is None]
        raise InputError(
            where,
            missing[0],
            found="nothing",
            expected="type, axes and shape of a raw block",
            remedy="add it to the card; xrfmap describe --guess proposes one",
        )
    number = Number.named(card.type, card.byte_order)
    unit, offset = number.width, card.header_bytes
    strides: list[int] = []
    for name, size in zip(reversed(card.axes), reversed(card.shape), strict=True):
        pad = card.padding.get(name, Padding())
        step = pad.before_bytes + unit + pad.after_bytes
        offset += pad.before_bytes
        strides.insert(0, step)
        unit = step * size
    return Layout(offset, tuple(card.shape), tuple(strides), number)


def raw_layout(path: Path, card: Card) -> Layout:
    """Layout of a raw block, checked against the size of its file.

    Parameters
    ----------
    path : Path
        The data.
    card : Card
        Its card.

    Returns
    -------
    Layout
        Offset, shape and strides.

    Raises
    ------
    InputError
        If the file is shorter than the card says.
    """
    where = clean_text(path.name)
    layout = layout_of_card(card, where)
    size = require_file(path).stat().st_size
    if layout.end > size:
        slow = layout.strides[0]
        there = max(0, (size - layout.offset) // slow) if slow else 0
        raise InputError(
            where,
            "shape",
            found=f"a file of {whole(size)} bytes",
            expected=f"at least {whole(layout.end)} bytes for {_shape_text(card)} of {card.type}",
            remedy=f"correct the card, or, if the scan was broken off, set the size of "
            f"{(card.axes or ['the first axis'])[0]} to {there}",
        )
    return layout


def unused_bytes(path: Path, card: Card) -> int:
    """Bytes of the file that the card does not explain."""
    layout = layout_of_card(card, clean_text(path.name))
    used = math.prod(layout.shape) * layout.number.width + card.header_bytes
    return max(0, path.stat().st_size - max(used, layout.end))


def _shape_text(card: Card) -> str:
    pairs = zip(card.axes or [], card.shape or [], strict=False)
    return " x ".join(f"{name} {size}" for name, size in pairs)
