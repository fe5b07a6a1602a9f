"""A study file read and checked: its fields, their links, and what they ask of later stages."""

from __future__ import annotations

from pathlib import Path

from xrfmap.dating.tree_rings import felling
from xrfmap.depth.layer_questions import check_materials
from xrfmap.errors import InputError
from xrfmap.physics.paints import pigment
from xrfmap.settings import MAX_STUDY_BYTES, RadiographEntry, Study, validated
from xrfmap.studycheck import check_links, read_toml

__all__ = ["load_study"]


def load_study(path: Path) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : Path
        TOML file, UTF-8, at most 4 MB.

    Returns
    -------
    Study
        The checked content. Entries of a list are counted from 1 in messages.

    Raises
    ------
    InputError
        If the file is missing, is not UTF-8 TOML, holds a bad or unknown field,
        or fields that do not agree with each other.
    """
    path = Path(path)
    data = read_toml(path, MAX_STUDY_BYTES)
    study = validated(Study, data, path)
    check_links(study, str(path))
    _check_rings(study, str(path))
    _check_materials(study, str(path))
    return study


def _check_materials(study: Study, where: str) -> None:
    """Tell materials that nobody knows now and not after the fits."""
    if study.stack or study.depth.cover:
        check_materials(study, where)
    support = study.radiograph.support_material
    if support != RadiographEntry().support_material:
        try:
            pigment(support)
        except ValueError as bad:
            raise InputError(
                where, "radiograph.support_material", found=repr(support), expected=str(bad),
                remedy="wood, canvas and paper are cellulose",
            ) from None  # fmt: skip


def _check_rings(study: Study, where: str) -> None:
    """Tell rings that contradict each other now and not after hours of fitting."""
    for entry in study.evidence:
        if entry.kind == "tree_rings":
            felling(entry, where)
