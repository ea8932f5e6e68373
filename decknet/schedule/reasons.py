"""Plain sentences: why a line is in the programme, why a deck waits, what its share rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from decknet import digits

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.decks import Decks
    from decknet.schedule.options import Choice, Options
    from decknet.settings import Settings

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]
    Flags = npt.NDArray[np.bool_]

__all__ = ["based_on", "why_line", "why_waiting"]

_UNSEEN = "no survey yet"


def _words(frame: pd.DataFrame, column: str) -> list[str]:
    """A column as text, empty where missing or absent."""
    if column not in frame:
        return [""] * len(frame)
    return ["" if missing else str(word) for word, missing in zip(frame[column], frame[column].isna(), strict=True)]


def based_on(frame: pd.DataFrame) -> list[str]:
    """What each deck's share rests on.

    Parameters
    ----------
    frame : DataFrame, n decks
        Read where present: survey_date, share_from (survey, rating, network or assumption), deck_rating.

    Returns
    -------
    list of n str
        "survey of <date>", or a text that begins with "no survey yet".
    """
    dates = _words(frame, "survey_date")
    sources = _words(frame, "share_from")
    ratings = _words(frame, "deck_rating")
    out = []
    for date, source, rating in zip(dates, sources, ratings, strict=True):
        number = rating.removesuffix(".0")
        other = {
            "rating": f"from deck rating {number}" if number else "from the deck rating",
            "network": "from the other decks of the network",
            "assumption": "assumed",
        }.get(source, "")
        if date:
            out.append(f"survey of {date[:10]}" + (f"; share {other}" if other else ""))
        elif source == "survey":
            out.append("survey, date not known")
        else:
            out.append(f"{_UNSEEN}: {other or 'source of the share not given'}")
    return out


def why_line(
    lines: pd.DataFrame,
    urgent_words: pd.Series[str],
    permitted: Flags,
    spared: Floats,
    second: Flags,
    worse: Floats,
    first_year: int,
    settings: Settings,
) -> list[str]:
    """Why each line is in the programme.

    Parameters
    ----------
    lines : DataFrame, n lines with the columns of ``Programme.lines`` but `why`
    urgent_words : Series, n, why the deck cannot wait, else missing
    permitted : array, shape (n,), whether the treatment is meant for the share
    spared : array, shape (n,), m2·yr of unsound deck avoided, without later savings
    second : array, shape (n,), flag, the second work of a deck
    worse : array, shape (n,), share found, grown to the day, where it is what the treatment is judged by; else NaN
    first_year : int
    settings : Settings

    Returns
    -------
    list of n str
    """
    coin = settings.currency
    out = []
    rows = zip(
        lines.itertuples(index=False), urgent_words, permitted, spared.tolist(), second.tolist(), worse.tolist(),
        strict=True,
    )  # fmt: skip
    for line, words, fits, area, again, found in rows:
        text = (
            f"{line.label} in {line.year} for {digits.money(line.cost)} {coin} takes "
            f"an expected {digits.percent(line.share_before)} unsound to "
            f"{digits.percent(line.share_after)} and spares {digits.exposure(area)} m²·yr of unsound deck (weighted "
            "by traffic)"
        )
        if line.later_saved >= 1:
            text += f" and saves {digits.money(line.later_saved)} {coin} after the last year"
        if found == found:
            text += (
                f"; judged by what was found, by now {digits.percent(found)}, not by the less that is expected, until "
                "the deck is sounded again"
            )
        if again:
            text += "; the second of two works, after a patch that holds until then"
        if line.shares_set_up > 0:
            text += f"; shares its set-up on {line.route} with {line.shares_set_up} more"
        if line.urgent:
            late = "" if line.year == first_year or line.pinned else ", but the money of earlier years did not reach"
            text = f"Cannot wait ({str(words).strip().rstrip('.')}){late}: {text[0].lower()}{text[1:]}"
        if line.pinned:
            text += "; pinned by the engineer"
        if line.based_on.startswith(_UNSEEN):
            text += "; sound the deck before the job is let, since no survey of it is on record"
        if not fits:
            text += (
                "; the share lies outside the range the treatment is meant for"
                if line.pinned
                else "; a holding repair, since no treatment is meant for this share"
            )
        out.append(text + ".")
    return out


def why_waiting(
    rows: Whole,
    decks: Decks,
    options: Options,
    treatment: Whole,
    choice: Choice,
    barred: Flags,
    urgent: Flags,
    money_limit: Floats,
    names: list[str],
    settings: Settings,
) -> list[str]:
    """Why each deck without a line waits.

    Parameters
    ----------
    rows : array, indices of the waiting decks
    decks, options, treatment, choice : what the programme was chosen from, and the choice
    barred, urgent : arrays, shape (decks,), flags
    money_limit : array, shape (years,), currency
    names : keys of the treatments
    settings : Settings

    Returns
    -------
    list of str, one a row
    """
    coin = settings.currency
    count = len(decks)
    cheapest = np.full(count, -1, dtype=np.intp)
    order = np.lexsort((options.money, options.deck))
    order = order[np.diff(options.deck[order], prepend=-1) > 0]
    cheapest[options.deck[order]] = order
    top_value = np.zeros(count)
    top_worth = np.full(count, -np.inf)
    if len(options):
        worth = options.value - choice.money_price[options.year] * options.money
        worth = worth - choice.days_price[options.year] * options.days
        first = np.flatnonzero(np.diff(options.deck, prepend=-1) > 0)
        top_value[options.deck[first]] = np.maximum.reduceat(options.value, first)
        top_worth[options.deck[first]] = np.maximum.reduceat(worth, first)
    least_share = min(kind.share_min for kind in settings.treatment.values() if kind.share_min > 0)
    richest = float(money_limit.max())
    limited = settings.programme.crew_days_per_yr > 0
    means = "money and crew days" if limited else "money"
    days_per_yr = settings.programme.crew_days_per_yr

    def one(row: int) -> str:
        if barred[row]:
            return "Barred by the engineer" + (", though it cannot wait." if urgent[row] else ".")
        if np.isnan(decks.area_m2[row]):
            lead = "Cannot wait, but cannot be costed" if urgent[row] else "Cannot be costed"
            return f"{lead}: its length or width is not known."
        if np.isnan(decks.share[row]):
            lead = "Cannot wait, but cannot be costed" if urgent[row] else "Cannot be costed"
            return f"{lead}: its unsound share is not known."
        unsound = f"{digits.percent(float(decks.share[row]))} expected unsound"
        if decks.full_part is not None and decks.full_part[row] > 0:
            unsound += f", {digits.percent(float(decks.share[row] * decks.full_part[row]))} to full depth"
        best = int(cheapest[row])
        if best < 0:
            if decks.share[row] < least_share:
                return f"Too little to treat yet: {unsound}."
            return f"No treatment is meant for it: {unsound}, in no year of the programme."
        price = (
            f"{digits.money(options.money[best])} {coin} ({settings.treatment[names[treatment[best]]].label.lower()})"
        )
        if urgent[row]:
            return f"Cannot wait, but needs at least {price}; what pinned and more pressing decks leave does not reach."
        if top_value[row] <= 0:
            return f"Too little to treat yet: {unsound}, and no treatment would spare anything within the horizon."
        if options.money[best] > richest:
            return f"Needs at least {price}, more than any year's money; {unsound}."
        if limited and options.days[best] > days_per_yr:
            return f"Needs {digits.crew_days(options.days[best])} crew days, more than any year has; {unsound}."
        if top_worth[row] > 0:
            return f"Needs at least {price}; worth its {means}, but no year has enough left; {unsound}."
        return f"Needs at least {price}; would buy less for the {means} than the lines chosen; {unsound}."

    return [one(row) for row in rows.tolist()]
