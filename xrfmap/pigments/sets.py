"""Sets of materials that together explain an area, the fewest assumptions first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from xrfmap.findings import Verdict
from xrfmap.pigments.innocents import Innocence
from xrfmap.pigments.matching import Match
from xrfmap.pigments.setting import Setting

__all__ = ["Explained", "Item", "cheapest", "class_members", "covered_by", "find_sets", "items_of"]

PERIOD_COST: dict[Verdict, float] = {"out_of_period": 1.2, "borderline": 0.4}
"""Cost of assuming that the stated period is wrong, while it is the thing under test."""
SLACK = 1.0  # sets within one more assumption of the best are shown
MAX_SETS = 8
_MAX_STEPS = 20_000  # the search is cut there; areas of a dozen elements need some hundreds


@dataclass(frozen=True)
class Item:
    """Materials that cover the same elements, or one innocent source."""

    covers: frozenset[str]
    cost: float
    matches: tuple[Match, ...]  # best first; empty for an innocent source
    innocence: Innocence | None = None


@dataclass(frozen=True)
class Explained:
    """One set and its cost."""

    items: tuple[Item, ...]
    cost: float


def items_of(
    setting: Setting,
    matches: Sequence[Match],
    innocents: Iterable[Innocence],
    *,
    with_period: bool,
) -> list[Item]:
    """Group matches that cover the same elements; innocent sources stay single.

    Parameters
    ----------
    setting : Setting
        The area, for its amounts.
    matches, innocents
        What would explain elements; sources that are merely named are left out.
    with_period : bool
        Whether a material that does not fit the period costs more.
    """
    own = _asks_for_its_own(setting, matches)
    classes: dict[frozenset[str], list[tuple[float, Match]]] = {}
    for match in matches:
        covers = frozenset(
            e
            for e, cover in match.covers.items()
            if (cover.role == "need" and cover.grade != "named")
            or (cover.grade == "good" and e not in own)
        )
        cost = match.cost + (PERIOD_COST.get(match.verdict, 0.0) if with_period else 0.0)
        classes.setdefault(covers, []).append((cost, match))
    items = []
    for covers, members in classes.items():
        members.sort(key=lambda pair: pair[0])  # `match_all` has settled the ties
        items.append(Item(covers, members[0][0], tuple(match for _, match in members)))
    best: dict[str, Innocence] = {}
    for innocence in innocents:
        known = best.get(innocence.element)
        if innocence.grade == "named" or innocence.element in own:
            continue
        if known is None or innocence.cost < known.cost:
            best[innocence.element] = innocence
    items += [Item(frozenset({i.element}), i.cost, (), i) for i in best.values()]
    return sorted(items, key=lambda item: item.cost)


def _asks_for_its_own(setting: Setting, matches: Sequence[Match]) -> frozenset[str]:
    """Elements listed without an amount that a usual material of the period would bring.

    They are not written off as an impurity of something else: whoever lists iron beside
    copper has seen more than the rust in an azurite.
    """
    return frozenset(
        e
        for e in setting.present
        if setting.amounts.share(e) is None
        and any(
            m.material.rarity in ("staple", "usual")
            and m.verdict == "compatible"
            and setting.rules.kernels[m.key] == {e}
            for m in matches
        )
    )


def covered_by(items: Iterable[Item]) -> frozenset[str]:
    """Elements that any of these items covers."""
    return frozenset[str]().union(*(item.covers for item in items))


def class_members(items: Sequence[Item], match: Match) -> tuple[Match, ...]:
    """Materials that explain exactly the same elements here."""
    for item in items:
        if match in item.matches:
            return item.matches
    return (match,)


def find_sets(
    items: Sequence[Item], elements: Iterable[str], slack: float = SLACK
) -> list[Explained]:
    """All irredundant sets within `slack` of the cheapest, cheapest first.

    Parameters
    ----------
    items : sequence of Item
        Cheapest first.
    elements : iterable of str
        What has to be explained; elements that no item covers are left out.
    slack : float
        In assumptions.

    Returns
    -------
    list of Explained
        At most eight. Found by depth-first search that always works on the element
        with the fewest explanations and stops where the cost exceeds the bound.
    """
    universe = frozenset(elements) & covered_by(items)
    if not universe:
        return []
    by_element = {e: [item for item in items if e in item.covers] for e in universe}
    state = _Search(by_element, slack)
    state.step((), frozenset(), 0.0, universe)
    found = [s for s in state.found.values() if s.cost <= state.best + slack + 1e-9]
    return sorted(found, key=lambda s: (s.cost, len(s.items)))[:MAX_SETS]


def cheapest(items: Sequence[Item], elements: Iterable[str]) -> Explained | None:
    """Find the cheapest set that covers all elements; ``None`` where one cannot be covered."""
    wanted = frozenset(elements)
    if not wanted <= covered_by(items):
        return None
    found = find_sets(items, wanted, slack=0.0)
    return found[0] if found else Explained((), 0.0)


class _Search:
    """Depth-first search with a bound."""

    def __init__(self, by_element: dict[str, list[Item]], slack: float) -> None:
        self.by_element = by_element
        self.slack = slack
        self.best = float("inf")
        self.found: dict[frozenset[int], Explained] = {}
        self.steps = 0

    def step(
        self, chosen: tuple[Item, ...], covered: frozenset[str], cost: float, left: frozenset[str]
    ) -> None:
        self.steps += 1
        if cost > self.best + self.slack or self.steps > _MAX_STEPS:
            return
        if not left:
            if _irredundant(chosen):
                self.best = min(self.best, cost)
                self.found[frozenset(map(id, chosen))] = Explained(chosen, cost)
            return
        element = min(left, key=lambda e: (len(self.by_element[e]), e))
        for item in self.by_element[element]:
            now = covered | item.covers
            self.step((*chosen, item), now, cost + item.cost, left - item.covers)


def _irredundant(chosen: Sequence[Item]) -> bool:
    for item in chosen:
        others = [other.covers for other in chosen if other is not item]
        if others and item.covers <= frozenset[str]().union(*others):
            return False
    return True
