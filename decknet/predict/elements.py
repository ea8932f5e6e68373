"""Element quantities in condition states: how fast they worsen, and where they will stand."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.predict.damage import DAYS_PER_YEAR
from decknet.predict.states import chain, fit_share_states, forecast_states
from decknet.settled import CHANCE_PLACES, to_places

__all__ = ["STATES", "element_pairs", "element_states", "states_ahead"]

Floats = NDArray[np.float64]

STATES = ("cs1", "cs2", "cs3", "cs4")
_MOST_CLOSE_YR = 0.5
_MOST_RESIZED = 0.1
_TELL_PLACES = 9  # decimals of a share to which it is held against a limit
_MOST_BETTER = 0.2  # of a state, on the mean: more is works that nobody recorded
_Z80 = 1.2815515655446004
_FEW = 3  # bridges that show a state; fewer say nothing of leaving it
_MOST_SE = 1.5  # of the log odds of leaving; more, and the quantities do not tell
_DEFECT_FROM = 1000  # element numbers from here on are defects, parts of another element


def element_pairs(quantities: pd.DataFrame, works: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    """Inspections of the same element that follow each other, without works between them.

    Parameters
    ----------
    quantities : DataFrame
        Records of element quantities: bridge_id, quantity_date, element, parent_element, cs1 to cs4.
    works : DataFrame
        bridge_id, date: repairs on record.

    Returns
    -------
    pairs : DataFrame, one row a pair
        bridge_id, element, run (pairs of a run follow on each other), years (whole, at least 1), area (of the first,
        in its unit), b1 to b4 and a1 to a4 (shares before and after, 0 to 1).
    left_out : dict
        defects (rows of parts of an element), empty (rows without a quantity); and of pairs: close (under half a
        year), resized (total changed by over a tenth), works (a repair between), better (condition better than
        scatter allows: works that nobody recorded).
    """
    number = pd.to_numeric(quantities["element"], errors="coerce").to_numpy(dtype="float64", na_value=np.nan)
    defect = np.nan_to_num(number) >= _DEFECT_FROM
    held = quantities[~defect].copy()
    amount = held[list(STATES)].fillna(0.0).to_numpy(dtype="float64")
    total = amount.sum(axis=1)
    empty = ~(total > 0)
    held, amount, total = held[~empty], amount[~empty], total[~empty]
    parent = held["parent_element"].fillna("").astype("str").to_numpy()
    order = np.lexsort((held["quantity_date"], parent, held["element"], held["bridge_id"]))
    held, amount, total, parent = held.iloc[order], amount[order], total[order], parent[order]
    bridge, element = held["bridge_id"].to_numpy(), held["element"].to_numpy()
    when = held["quantity_date"]
    same = (bridge[1:] == bridge[:-1]) & (element[1:] == element[:-1]) & (parent[1:] == parent[:-1])
    years = (when.diff().dt.days / DAYS_PER_YEAR).to_numpy(dtype="float64")[1:]
    share = amount / total[:, None]
    mean = (share * np.arange(4.0)).sum(axis=1)
    close = same & (years < _MOST_CLOSE_YR)
    resized = same & ~close & (to_places(np.abs(total[1:] / total[:-1] - 1), _TELL_PLACES) > _MOST_RESIZED)
    between = np.zeros(len(same), dtype=bool)
    done = works.dropna(subset=["date"]).groupby("bridge_id")["date"].apply(lambda d: np.sort(d.to_numpy()))
    dates = when.to_numpy()
    for i in np.flatnonzero(same & np.isin(bridge[1:], done.index.to_numpy())):
        on = done[bridge[i]]
        between[i] = bool(((on > dates[i]) & (on <= dates[i + 1])).any())
    between &= same & ~close & ~resized
    better = same & ~close & ~resized & ~between & (to_places(mean[1:] - mean[:-1] + _MOST_BETTER, _TELL_PLACES) < 0)
    keep = np.flatnonzero(same & ~close & ~resized & ~between & ~better)
    pairs = pd.DataFrame(
        {
            "bridge_id": bridge[keep], "element": element[keep],
            "run": np.cumsum(np.append(True, np.diff(keep) != 1))[: len(keep)],
            "years": np.maximum(np.round(years[keep]), 1.0), "area": total[keep],
            **{f"b{k + 1}": share[keep, k] for k in range(4)},
            **{f"a{k + 1}": share[keep + 1, k] for k in range(4)},
        }
    )  # fmt: skip
    left_out = {
        "defects": int(defect.sum()), "empty": int(empty.sum()), "close": int(close.sum()),
        "resized": int(resized.sum()), "works": int(between.sum()), "better": int(better.sum()),
    }  # fmt: skip
    return pairs, left_out


def element_states(pairs: pd.DataFrame, family: pd.Series, least: int) -> pd.DataFrame:
    """How fast each element of each family leaves its states.

    Parameters
    ----------
    pairs : DataFrame, shape (n, ...)
        As ``element_pairs`` gives.
    family : Series of str, shape (n,), on the index of ``pairs``
    least : int
        A family with fewer bridges takes the chances of all such elements together.

    Returns
    -------
    DataFrame, one row an element, family and state
        element, family ("all" first), bridges, pairs, state (1 to 4), shown_by (bridges with any of it), leave_per_yr
        (0 to 1; missing where no more than two bridges show the state, or the quantities do not tell), leave_low,
        leave_high (10 and 90 %), years (mean time in it), own (bool: the family's own surveys say so).

    References
    ----------
    derived: see ``fit_share_states``.
    """
    out = []
    for element, of in pairs.groupby("element", sort=True):
        whole: dict[int, tuple[float, float, float]] = {}
        named = [(str(n), p) for n, p in of.groupby(family.reindex(of.index))]
        groups = [("all", of), *(named if len(named) > 1 else [])]
        for name, part in groups:
            bridges = int(part["bridge_id"].nunique())
            own = name == "all" or bridges >= least
            before = part[["b1", "b2", "b3", "b4"]].to_numpy(dtype="float64")
            shown = [int(part.loc[before[:, k] > 0, "bridge_id"].nunique()) for k in range(4)]
            low = middle = high = np.full(3, np.nan)
            if own:
                fit = fit_share_states(
                    before, part[["a1", "a2", "a3", "a4"]].to_numpy(dtype="float64"), part["years"].to_numpy(),
                    part["area"].to_numpy(dtype="float64"), np.asarray(pd.factorize(part["bridge_id"])[0]),
                    part["run"].to_numpy(),
                )  # fmt: skip
                low, middle, high = (
                    to_places(np.where(fit.log_odds_se < _MOST_SE, fit.leaving(z), np.nan), CHANCE_PLACES)
                    for z in (-_Z80, 0.0, _Z80)
                )
            for k in range(4):
                mine = own and k < 3 and shown[k] >= _FEW and bool(np.isfinite(middle[k]))
                borrowed = whole.get(k, (np.nan, np.nan, np.nan))
                three = (float(middle[k]), float(low[k]), float(high[k])) if mine else borrowed
                if name == "all":
                    whole[k] = three
                out.append(
                    {
                        "element": element, "family": name, "bridges": bridges, "pairs": len(part), "state": k + 1,
                        "shown_by": shown[k], "leave_per_yr": three[0], "leave_low": three[1], "leave_high": three[2],
                        "years": 1 / three[0] if three[0] > 0 else np.nan, "own": bool(mine),
                    }
                )  # fmt: skip
    return pd.DataFrame(out)


def states_ahead(
    quantities: pd.DataFrame, family: pd.Series, states: pd.DataFrame, today: pd.Timestamp, years: tuple[int, ...]
) -> pd.DataFrame:
    """Shares in each state in coming years if nothing is done, all decks of a family together by area.

    Parameters
    ----------
    quantities : DataFrame
        The latest record of each bridge and element.
    family : Series of str, on the index of ``quantities``
    states : DataFrame
        As ``element_states`` gives.
    today : Timestamp
    years : tuple of int, yr

    Returns
    -------
    DataFrame, one row an element, family and year
        element, family, bridges, total (quantity), years_ahead, cs1 to cs4 (shares, 0 to 1). A state that nobody
        shows leaving is taken to be kept.
    """
    out = []
    chances = states.set_index(["element", "family", "state"])["leave_per_yr"]
    for (element, name), part in quantities.groupby(["element", family], sort=True):
        known = (element, name, 1) in chances.index
        leave = np.nan_to_num([float(chances.get((element, name if known else "all", k), np.nan)) for k in (1, 2, 3)])
        yearly = chain(leave)
        amount = part[list(STATES)].fillna(0.0).to_numpy(dtype="float64")
        since = np.maximum(((today - part["quantity_date"]).dt.days / DAYS_PER_YEAR).to_numpy(dtype="float64"), 0.0)
        for ahead in years:
            # Rows of one whole number of years together; parts of a year lie between.
            whole = np.floor(since + ahead)
            rest = (since + ahead - whole)[:, None]
            share = np.zeros(4)
            for n in np.unique(whole).tolist():
                mine = whole == n
                share += forecast_states((amount * (1 - rest))[mine].sum(axis=0), yearly, n)
                share += forecast_states((amount * rest)[mine].sum(axis=0), yearly, n + 1)
            share /= amount.sum()
            out.append(
                {
                    "element": element, "family": name, "bridges": int(part["bridge_id"].nunique()),
                    "total": float(amount.sum()), "years_ahead": ahead,
                    **{s: float(v) for s, v in zip(STATES, to_places(share, _TELL_PLACES), strict=True)},
                }
            )  # fmt: skip
    return pd.DataFrame(out)
