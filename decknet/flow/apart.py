"""In words: what is kept and not ranked, what a file retires, and of how many decks the kind is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from decknet import digits
from decknet.columns.among import is_among
from decknet.columns.deck_kinds import CALLED, CONCRETE_DECK, DECK_KINDS, kind_unknown, ranked_decks, retired_decks

__all__ = ["apart_words", "told_of_file", "told_of_gone", "told_of_store", "why_apart"]

RETIRED = ("retired deck", "retired decks")
MOST_NAMED = 10  # decks named in one sentence


def why_apart(decks: pd.DataFrame) -> list[str]:
    """Why each of these decks is kept and not ranked, in words."""
    kinds, retired = decks["deck_kind"], retired_decks(decks)
    out = []
    for i, kind in enumerate(kinds):
        what = CALLED.get(kind, CALLED["other"])[0] if isinstance(kind, str) and kind != CONCRETE_DECK else ""
        if retired[i]:
            on, why = decks["retired_on"].iloc[i], decks["retired_why"].iloc[i]
            what = (
                "retired"
                + (f" on {on:%Y-%m-%d}" if pd.notna(on) else "")
                + (f": {why}" if isinstance(why, str) else "")
            )
        out.append(what)
    return out


def apart_words(decks: pd.DataFrame) -> str:
    """How many decks of each kind are kept apart, in words, most first; empty where there are none."""
    if decks.empty:
        return ""
    retired = retired_decks(decks)
    kinds = decks["deck_kind"][~retired]
    counts = kinds[(kinds != CONCRETE_DECK) & kinds.notna()].value_counts()
    order = sorted(counts.index, key=lambda k: (-counts[k], DECK_KINDS.index(k) if k in DECK_KINDS else 99, k))
    parts = [f"{digits.count(counts[k])} {CALLED.get(k, CALLED['other'])[int(counts[k] != 1)]}" for k in order]
    if retired.any():
        parts.append(f"{digits.count(int(retired.sum()))} {RETIRED[int(retired.sum() != 1)]}")
    return ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + parts[-1] if parts else ""


def told_of_store(decks: pd.DataFrame, surveys: pd.DataFrame, apart: pd.DataFrame) -> list[str]:
    """What is kept and not ranked, and of how many decks the kind is not known: a sentence each.

    Parameters
    ----------
    decks, surveys : DataFrame
        Records of decks in use and of surveys; a deck that was sounded is of concrete.
    apart : DataFrame
        Deck records that are kept apart, as ``Records.apart``.
    """
    out = []
    if words := apart_words(apart):
        out.append(f"Kept and not ranked: {words}.")
    if len(apart) and len(odd := apart.loc[(apart["surveys"] > 0) & ~retired_decks(apart), "deck_id"]):
        more = f" and {digits.count(len(odd) - MOST_NAMED)} more" if len(odd) > MOST_NAMED else ""
        out.append(
            f"Surveys are on record of {', '.join(odd[:MOST_NAMED])}{more}, kept and not ranked: what they found is "
            "not among what cannot wait. If such a deck is of concrete, say so in a column deck_kind."
        )
    sounded = is_among(decks["deck_id"], surveys["deck_id"]).to_numpy()
    if count := int((kind_unknown(decks) & ~sounded).sum()):
        out.append(f"The records do {_not_said(count, len(decks))} State it in a column deck_kind.")
    return out


def told_of_file(records: Mapping[str, pd.DataFrame]) -> list[str]:
    """Of a file: what is kept and not ranked, what it retires, which bridges are closed, and what it does not say."""
    decks, bridges = records.get("deck"), records.get("bridge")
    if decks is None:
        return []
    out = []
    if words := apart_words(decks.assign(in_use=pd.array([pd.NA] * len(decks), dtype="boolean"))):
        out.append(f"Kept and not ranked: {words}.")
    retired = decks[retired_decks(decks)]
    if len(retired):
        names = [f"{d} ({w})" if isinstance(w, str) else str(d)
                 for d, w in zip(retired["deck_id"], retired["retired_why"], strict=True)]  # fmt: skip
        more = f" and {digits.count(len(names) - MOST_NAMED)} more" if len(names) > MOST_NAMED else ""
        which = digits.counted(len(names), "deck is", "decks are")
        out.append(f"{which} retired by this file: {'; '.join(names[:MOST_NAMED])}{more}.")
    if bridges is None:
        return out
    use = ranked_decks(decks)
    shut = bridges["closed_to_traffic"].fillna(False).to_numpy(dtype=bool)
    if count := int((shut & bridges["bridge_id"].isin(set(decks.loc[use, "bridge_id"])).to_numpy(dtype=bool)).sum()):
        which = digits.counted(count, "bridge is", "bridges are")
        out.append(
            f"{which} closed to traffic by this file and still ranked; a deck is retired in a column retired_on."
        )
    if count := int((kind_unknown(decks) & use).sum()):
        out.append(f"The file does {_not_said(count, len(decks))}")
    return out


def told_of_gone(decks: Sequence[str]) -> list[str]:
    """That decks in use are not in a newer inventory of their whole state, and how to retire them."""
    if not decks:
        return []
    more = f" and {digits.count(len(decks) - MOST_NAMED)} more" if len(decks) > MOST_NAMED else ""
    one = len(decks) == 1
    said = (
        f"{digits.count(len(decks))} {'deck' if one else 'decks'} on record {'is' if one else 'are'} not in this newer "
        f"file of the state: {', '.join(decks[:MOST_NAMED])}{more}. If {'it is' if one else 'they are'} gone, load the "
        f"file again with --accept gone: that retires {'it' if one else 'them'}."
    )
    return [said]


def _not_said(count: int, of: int) -> str:
    which = "its one deck" if count == of == 1 else f"{digits.count(count)} of {digits.count(of)} decks"
    are, they = ("is", "it is") if count == 1 else ("are", "they are")
    return f"not say what kind of deck {which} {are}: {they} ranked as if of concrete."
