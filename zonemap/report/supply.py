"""Supply against demand in words: one sentence a nutrient, zones that fare alike said together."""

from __future__ import annotations

from zonemap.values.plan import Plan
from zonemap.values.sufficiency import Sufficiency

#: share of the season's demand from which each of these is said: our own words and limits
_FARES = (
    (0.995, "enough all season"),
    (0.9, "nearly enough, short on some days"),
    (0.6, "short in the weeks of greatest demand"),
    (0.3, "short for most of the season"),
    (0.0, "far short all season"),
)


def supply_sentences(plan: Plan) -> list[str]:
    """Say how far the supply of every nutrient goes, that with the smallest share of the season first."""
    least = {quantity: float(found.share_of_season.min()) for quantity, found in plan.sufficiency.items()}
    return [f"{quantity}: {_fares(plan.sufficiency[quantity])}." for quantity in sorted(least, key=least.__getitem__)]


def _fares(found: Sufficiency) -> str:
    zones = range(1, len(found.share_of_season))
    said = {words: [zone for zone in zones if _words(found.share_of_season[zone]) == words] for _, words in _FARES}
    alike = {words: members for words, members in said.items() if members}
    return "; ".join(
        f"{words}{_where(members, alone=len(alike) == 1)} ({_shares(found, members)})"
        for words, members in alike.items()
    )


def _words(share_of_season: float) -> str:
    return next((words for least, words in _FARES if share_of_season >= least), _FARES[-1][1])


def _where(zones: list[int], *, alone: bool) -> str:
    if alone:
        return ""
    return f" in zone{'s' if len(zones) > 1 else ''} {', '.join(map(str, zones))}"


def _shares(found: Sufficiency, zones: list[int]) -> str:
    peak = _span([found.share_of_peak[zone] for zone in zones])
    season = _span([found.share_of_season[zone] for zone in zones])
    return f"{peak}% of peak demand, {season}% of the season's"


def _span(shares: list[float]) -> str:
    """Percent, from least to most where they differ.

    >>> _span([0.412, 0.38]), _span([0.5, 0.501]), _span([7.3])
    ('38 to 41', '50', 'over 200')
    """
    texts = [f"{100 * share:.0f}" if share <= 2 else "over 200" for share in (min(shares), max(shares))]
    return texts[0] if texts[0] == texts[1] else " to ".join(texts)
