"""A mixed-integer solver in a child process.

It stops at counts: of branches, and of the times it looks whether to stop, which bound the work before the first
branch too. One thread, a fixed seed, and no clock; so its answer is the same however fast the machine. Only where the
user has set a clock is the child told to stop by it, and killed where it does not come to a stop.

The child's standard output carries the answer and nothing else: whatever the solver prints goes to standard error. What
the child does is in ``child.py``, run by its path, so that it loads the solver and not this whole room.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from decknet.schedule import child

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.clock import Clock
    from decknet.schedule.prices import Problem

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["Answer", "solve_in_child"]

# Beyond the user's clock the child gets this much more: to start, to load its libraries, to come to a stop.
GRACE_S = 10.0
EFFORT = 0.3  # most programmes are found so; the solver's own is 0.05


@dataclass(frozen=True, slots=True)
class Answer:
    """What the child found.

    Attributes
    ----------
    taken : array, indices of the options taken, rising
    bound : proven upper bound of the value; infinite where nothing was proven
    """

    taken: Whole
    bound: float


def solve_in_child(
    problem: Problem, begin: Whole, *, gap: float, branches: int, checks: int, clock: Clock, rounds: int = 0,
    effort: float = EFFORT,
) -> Answer | None:  # fmt: skip
    """Maximise the value taken: one option a deck at most, within every limit, set-ups paid for.

    Parameters
    ----------
    problem : Problem
    begin : array, options of a known programme
    gap : relative gap at which to stop
    branches : int, branches at which to stop, in each round
    checks : int, times that the solver looks whether to stop after which it does, in each round
    clock : the user's; once it strikes the solver is asked to stop, and some seconds later it is killed
    rounds : int
        0: the whole problem. Else so many times a part of the decks is chosen anew, the others as they are in the
        best programme known; no bound comes of it, unless the last part was all of them.
    effort : part of its work, 0 to 1, that the solver puts into finding programmes, in place of closing branches

    Returns
    -------
    Answer or None
        None where the child was killed or came to grief; then nothing new is known.
    """
    task, left = io.BytesIO(), clock.left()
    if clock.struck():
        return None
    columns, entries, worth, limits, start = _model(problem, begin)
    np.savez(
        task,
        columns=columns,
        rows=entries[0],
        entries=entries[1],
        worth=worth,
        limits=limits,
        start=start,
        stop=np.array([gap, float(branches), float(checks), left or 0.0, effort]),
        deck=problem.owner,
        group=problem.group,
        rounds=np.array(rounds),
    )
    home = str(Path(__file__).resolve().parents[2])
    path = os.pathsep.join(p for p in (home, os.environ.get("PYTHONPATH", "")) if p)
    try:
        done = subprocess.run(  # noqa: S603
            [sys.executable, "-P", str(Path(child.__file__))],
            input=task.getvalue(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=None if left is None else left + GRACE_S,
            env={**os.environ, "PYTHONPATH": path},
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            check=False,
        )
    except (subprocess.TimeoutExpired, OSError):
        clock.struck()
        return None
    if done.returncode != 0:
        return None
    with np.load(io.BytesIO(done.stdout), allow_pickle=False) as found:
        taken = found["taken"]
        clock.hit = clock.hit or bool(found["late"])
        return Answer(taken[taken < len(problem.owner)], float(found["bound"]))


def _model(
    problem: Problem, begin: Whole
) -> tuple[npt.NDArray[Any], tuple[npt.NDArray[Any], npt.NDArray[Any]], Floats, Floats, Floats]:
    """The problem column by column: options, then groups and years for which a set-up can be paid.

    Returns where each column begins, its rows and entries, worth of each column, upper limit of each row, and
    the known programme. Limits are scaled to 1.
    """
    n, decks = len(problem.owner), problem.decks
    options, pairs, shared = _pairs(problem)
    used = problem.limits > 0
    scale = np.where(used, problem.limits, 1.0)
    rows = problem.rows / scale[:, None]
    column = [np.arange(n)]
    row = [np.asarray(problem.owner, dtype=np.int64)]
    entry = [np.ones(n)]
    for cell, amount in zip(problem.cells, problem.amounts, strict=True):
        for k, part in enumerate(rows):
            some = np.flatnonzero((part[cell] > 0) & (amount != 0))
            column.append(some)
            row.append(np.full(len(some), decks + k))
            entry.append(part[cell[some]] * amount[some])
    limits = [np.ones(decks), used.astype(np.float64)]
    at = decks + len(used)
    # a work needs its set-up: one row for each deck and year
    lots, lot = np.unique(np.column_stack([problem.owner[options], pairs]), axis=0, return_inverse=True)
    open_pairs, open_of = np.unique(lots[:, 1], return_inverse=True)
    if problem.shares:
        column += [options, n + open_of.ravel()]
        row += [at + lot.ravel(), at + np.arange(len(lots))]
        entry += [np.ones(len(options)), -np.ones(len(lots))]
        limits.append(np.zeros(len(lots)))
        at += len(lots)
        cell = problem.opening_cell.ravel()[open_pairs]
        amount = problem.opening.ravel()[open_pairs]
        for k, part in enumerate(rows):
            some = np.flatnonzero((part[cell] > 0) & (amount > 0))
            column.append(n + some)
            row.append(np.full(len(some), decks + k))
            entry.append(part[cell[some]] * amount[some])
        if problem.room is not None:
            column.append(options)
            row.append(at + np.searchsorted(open_pairs, pairs))
            entry.append(np.ones(len(options)))
            limits.append(problem.room.ravel()[open_pairs].astype(np.float64))
    else:
        open_pairs = open_pairs[:0]
    columns, at_row, entries = (np.concatenate(part) for part in (column, row, entry))
    # an option that uses one limit twice (two works, carried over) gets one entry
    order = np.lexsort((at_row, columns))
    columns, at_row, entries = columns[order], at_row[order], entries[order]
    new = np.flatnonzero((np.diff(columns, prepend=-1) != 0) | (np.diff(at_row, prepend=-1) != 0))
    entries = np.add.reduceat(entries, new)
    columns, at_row = columns[new], at_row[new]
    total = n + len(open_pairs)
    starts = np.searchsorted(columns, np.arange(total + 1))
    start = np.zeros(total)
    start[begin] = 1.0
    if shared:
        taken = problem.open_pairs(begin).ravel()
        start[n:] = taken[open_pairs]
    worth = np.concatenate([problem.value, np.zeros(len(open_pairs))])
    return starts, (at_row, entries), worth, np.concatenate(limits), start


def _pairs(problem: Problem) -> tuple[Whole, Whole, bool]:
    """Options of decks that share set-ups, and the group and year of each, as a place in a flat array."""
    none = np.zeros(0, dtype=np.int64)
    if not problem.shares:
        return none, none, False
    group = problem.group[problem.owner]
    some = np.flatnonzero(group >= 0)
    options, pairs = [some], [group[some] * problem.years + problem.year[some]]
    if problem.later is not None:
        two = some[problem.later[some] >= 0]
        options.append(two)
        pairs.append(group[two] * problem.years + problem.later[two])
    return np.concatenate(options), np.concatenate(pairs).astype(np.int64), True
