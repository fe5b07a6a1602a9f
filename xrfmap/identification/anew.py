"""Elements of a sum judged once more, after elements of some pixels have joined its model.

What stood in the sum before may have rested on lines of an element that was missing: tin L of
some pixels on potassium and calcium. So everything that is told of the sum is told by the model
that the maps and fits are made with.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from xrfmap.findings import ElementFinding
from xrfmap.identification.element_tests import Library, library_of
from xrfmap.identification.element_verdicts import element_findings
from xrfmap.spectra.refine import Refined, refine
from xrfmap.spectra.score_test import Judge
from xrfmap.spectra.templates import SpectrumModel

if TYPE_CHECKING:
    from xrfmap.identification.identify import Found

__all__ = ["judged_anew"]


def judged_anew(
    start: Found, model: SpectrumModel, joined: Sequence[str]
) -> tuple[Refined, dict[str, ElementFinding]]:
    """Refine a model that elements of some pixels have joined, and judge all others in it.

    Parameters
    ----------
    start : Found
        From the sum alone.
    model : SpectrumModel
        Its model with the lines of the elements that joined.
    joined : sequence of str
        Their symbols.

    Returns
    -------
    Refined, and dict of str to ElementFinding
        The fit of the sum, and by symbol what it says of each element. One that the sum showed
        stays found while it stands three standard errors above nothing, for what is asked of a
        discovery was met before; its words say so. One below that goes out of the model, the
        least sure first, unless it was given. One for which another element would do as well
        is not separable, as in any other sum.
    """
    metal = str(start.anode)
    library = library_of(model, metal, metal)
    names = " and ".join(joined)
    doubt = f"less sure than before the lines of {names}, which some pixels hold, were fitted along"
    before = {e.symbol: e for e in start.elements}
    own = {e.element for e in start.model.emitters if e.kind == "element"} - set(joined)
    gone: dict[str, ElementFinding] = {}
    while True:
        refined = refine(start.sum_counts, model)
        told = _told(refined, library, start, dict.fromkeys(start.present, doubt))
        weak = [told[e] for e in own if not (start.given or _stands(told[e]))]
        if not weak:
            break
        weakest = min(weak, key=lambda e: (_standard_errors(e), e.symbol))
        gone[weakest.symbol] = weakest
        own.discard(weakest.symbol)
        kept = [e for e in model.emitters if e.kind != "element" or e.element not in gone]
        model = model.with_emitters(kept)
    for symbol, last in gone.items():
        seemed = before[symbol]
        if seemed.verdict != "present":
            continue
        words = (
            f"{told.get(symbol, last).because}; the {_standard_errors(seemed):.0f} standard errors "
            f"that the sum alone seemed to show are no longer there with {names}, which some "
            "pixels hold, in the fit"
        )
        told[symbol] = told.get(symbol, last).model_copy(update={"because": words})
    return refined, told


def _told(
    refined: Refined, library: Library, start: Found, kept: dict[str, str]
) -> dict[str, ElementFinding]:
    found = element_findings(
        refined, Judge(refined), library, str(start.anode), start.given or None, kept
    )
    return {e.symbol: e for e in found}


def _stands(finding: ElementFinding) -> bool:
    """Whether the model needs an element, be it that another one would do as well."""
    return finding.verdict == "present" or finding.evidence.get("rival") is not None


def _standard_errors(finding: ElementFinding) -> float:
    z = finding.evidence.get("standard_errors")
    return float(z) if isinstance(z, int | float) else 0.0
