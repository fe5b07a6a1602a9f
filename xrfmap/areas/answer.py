"""What two areas say against each other, put into words.

"No difference" is never a proof of sameness. Beside it stands the difference that would
have been found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from xrfmap.findings import Comparison, FamilyComparison

__all__ = ["answer_of", "cannot_tell"]


def cannot_tell(names: tuple[str, str], words: str) -> Comparison:
    """Answer where nothing was tested, with the reason."""
    return Comparison(areas=list(names), verdict="cannot tell", answer=words)


def answer_of(names: tuple[str, str], rows: list[FamilyComparison], unit: str) -> Comparison:
    """Sum up all tests of a pair of areas.

    Parameters
    ----------
    names : (str, str)
        What the areas are called.
    rows : list of FamilyComparison
        Tests, corrected together.
    unit : str
        Of the amounts.

    Returns
    -------
    Comparison
        With the verdict in words.
    """
    if all(row.verdict == "cannot tell" for row in rows):
        words = (
            "Cannot tell: no line family could be compared, or the areas are so uneven that no "
            "difference of any size would have been seen. Areas of one paint each tell more."
        )
        return Comparison(areas=list(names), verdict="cannot tell", answer=words, families=rows)
    by_kind = {kind: [r for r in rows if r.kind == kind] for kind in ("amount", "ratio")}
    apart = {kind: [r for r in held if r.verdict == "differs"] for kind, held in by_kind.items()}
    limits = {kind: _worst(held) for kind, held in by_kind.items()}
    differs = any(apart.values())
    return Comparison(
        areas=list(names),
        verdict="differs" if differs else "no difference detectable",
        detectable_percent=None if differs else limits["amount"],
        answer=_words(names, apart, by_kind, limits),
        unit=unit,
        reference=next((r.reference for r in by_kind["ratio"]), None),
        families=rows,
    )


def _worst(rows: Sequence[FamilyComparison]) -> float | None:
    values = [r.detectable_percent for r in _told(rows) if r.detectable_percent is not None]
    return max(values) if values else None


def _told(rows: Sequence[FamilyComparison]) -> list[FamilyComparison]:
    return [r for r in rows if r.verdict != "cannot tell"]


def _words(
    names: tuple[str, str],
    apart: Mapping[str, Sequence[FamilyComparison]],
    rows: Mapping[str, Sequence[FamilyComparison]],
    limits: Mapping[str, float | None],
) -> str:
    if not apart["amount"] and not apart["ratio"]:
        return (
            f"No difference detectable {_above(rows['amount'], limits['amount'])}."
            f"{_untold(rows['amount'])} That is no "
            "proof that the paint is the same: smaller differences, and materials without lines "
            "of their own, stay unseen."
        )
    if not apart["ratio"] and rows["ratio"]:
        return (
            f"Differs in amount: {_listed(apart['amount'], names)}. The ratios to "
            f"{_reference(rows)} show no difference {_above(rows['ratio'], limits['ratio'])}: "
            "the same mixture in another thickness or under another cover would do that."
        )
    said = [
        f"in {word}: {_listed(apart[kind], names)}"
        for kind, word in (("amount", "amount"), ("ratio", f"ratio to {_reference(rows)}"))
        if apart[kind]
    ]
    return (
        f"Differs {'; '.join(said)}. It may be the paint, its thickness, its cover or what lies "
        "below: a difference of the signal is no difference of hand or date by itself."
    )


def _reference(rows: Mapping[str, Sequence[FamilyComparison]]) -> str:
    return next((str(r.reference) for r in rows["ratio"]), "the reference")


def _above(rows: Sequence[FamilyComparison], worst: float | None) -> str:
    known = [r for r in _told(rows) if r.detectable_percent is not None]
    if worst is None or not known:
        return "at all sizes that were tested"
    best = min(known, key=lambda r: r.detectable_percent or 0.0)
    last = max(known, key=lambda r: r.detectable_percent or 0.0)
    if best is last:
        return f"above {worst:.2g} %"
    return (
        f"above {_percent(worst)} % (from {_percent(best.detectable_percent)} % for {best.family} "
        f"to {_percent(worst)} % for {last.family})"
    )


def _untold(rows: Sequence[FamilyComparison]) -> str:
    silent = [r.family for r in rows if r.verdict == "cannot tell"]
    return f" Nothing can be told of {', '.join(silent)}." if silent else ""


def _percent(value: float | None) -> str:
    return "?" if value is None else f"{value:.1f}" if value < 10 else f"{value:.0f}"


MANY_TIMES = 2.0
"""Ratio of two amounts from which it is easier to read than a percentage."""


def _listed(rows: Sequence[FamilyComparison], names: tuple[str, str]) -> str:
    ranked = sorted(rows, key=lambda r: r.p if r.p is not None else 1.0)
    parts = [row.family + _gap(row, names) for row in ranked[:6]]
    rest = f" and {len(ranked) - 6} more" if len(ranked) > 6 else ""
    return ", ".join(parts) + rest


def _gap(row: FamilyComparison, names: tuple[str, str]) -> str:
    """How large a difference is: how many times as much, or the percentage of the mean."""
    if row.a is not None and row.b is not None:
        (more, where), (less, error) = (
            ((row.a, names[0]), (row.b, row.b_err)) if row.a > row.b
            else ((row.b, names[1]), (row.a, row.a_err))
        )  # fmt: skip
        if less <= 2 * (error or 0.0):
            return f" (only in {where})" if less <= 0.1 * more else f" (more in {where})"
        if more >= MANY_TIMES * less:
            return f" ({more / less:.2g} times as much in {where})"
    gap = row.difference_percent
    return "" if gap is None else f" ({'+' if gap > 0 else '−'}{_percent(abs(gap))} %)"
