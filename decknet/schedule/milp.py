"""A mixed-integer solver in a child process, stopped for certain when its time is over.

The solver's own time limit can be overrun many times over, so the parent kills the child. The child's
standard output carries the answer and nothing else: whatever the solver prints goes to standard error.
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

if TYPE_CHECKING:
    import numpy.typing as npt

    from decknet.schedule.prices import Problem

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.signedinteger]

__all__ = ["Answer", "answer_parent", "solve_in_child"]

# Beyond its own limit the child gets this much more: to start, to load its libraries, to come to a stop.
GRACE_S = 10.0
TOLERANCE = 1e-9  # of a row scaled to 1, and of a whole number


@dataclass(frozen=True, slots=True)
class Answer:
    """What the child found.

    Attributes
    ----------
    taken : array, indices of the options taken, rising
    bound : proven upper bound of the value
    time_limit_hit : the solver stopped for want of time
    """

    taken: Whole
    bound: float
    time_limit_hit: bool


def solve_in_child(problem: Problem, begin: Whole, *, gap: float, branches: int, time_limit_s: float) -> Answer | None:
    """Maximise the value taken: one option a deck at most, within every limit, set-ups paid for.

    Parameters
    ----------
    problem : Problem
    begin : array, options of a known programme
    gap : relative gap at which to stop
    branches : int, branches at which to stop
    time_limit_s : s, after which the solver is asked to stop; some seconds later it is killed

    Returns
    -------
    Answer or None
        None where the child was killed or came to grief; then nothing new is known.
    """
    task = io.BytesIO()
    columns, entries, worth, limits, start = _model(problem, begin)
    np.savez(
        task,
        columns=columns,
        rows=entries[0],
        entries=entries[1],
        worth=worth,
        limits=limits,
        start=start,
        stop=np.array([gap, float(branches), time_limit_s]),
    )
    home = str(Path(__file__).resolve().parents[2])
    path = os.pathsep.join(p for p in (home, os.environ.get("PYTHONPATH", "")) if p)
    try:
        done = subprocess.run(
            [sys.executable, "-c", "from decknet.schedule.milp import answer_parent; answer_parent()"],
            input=task.getvalue(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=time_limit_s + GRACE_S,
            env={**os.environ, "PYTHONPATH": path},
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            check=False,
        )
    except (subprocess.TimeoutExpired, OSError):
        return None
    if done.returncode != 0:
        return None
    with np.load(io.BytesIO(done.stdout), allow_pickle=False) as found:
        taken = found["taken"]
        return Answer(taken[taken < len(problem.owner)], float(found["bound"]), bool(found["late"]))


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


def _solve(task: dict[str, npt.NDArray[np.float64]]) -> dict[str, npt.NDArray[np.float64]]:
    """Run the solver on a task as sent by `solve_in_child`."""
    import highspy

    worth, limits = task["worth"], task["limits"]
    unit = float(np.max(np.abs(worth)))
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(worth), len(limits)
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_ = worth / unit
    lp.col_lower_, lp.col_upper_ = np.zeros(len(worth)), np.ones(len(worth))
    lp.row_lower_ = np.full(lp.num_row_, -highspy.kHighsInf)
    lp.row_upper_ = limits
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = task["columns"].astype(np.int32)
    lp.a_matrix_.index_ = task["rows"].astype(np.int32)
    lp.a_matrix_.value_ = task["entries"]
    lp.integrality_ = [highspy.HighsVarType.kInteger] * len(worth)

    gap, branches, seconds = task["stop"].tolist()
    solver = highspy.Highs()  # type: ignore[no-untyped-call]
    for name, setting in {
        "output_flag": False,
        "threads": 1,
        "random_seed": 0,
        "mip_rel_gap": gap,
        "mip_abs_gap": 1e-9,
        "mip_max_nodes": int(branches),
        "time_limit": seconds,
        "mip_feasibility_tolerance": TOLERANCE,
        "primal_feasibility_tolerance": TOLERANCE,
    }.items():
        solver.setOptionValue(name, setting)
    solver.passModel(lp)
    known = highspy.HighsSolution()
    known.col_value = task["start"].tolist()
    solver.setSolution(known)
    solver.run()
    taken = np.flatnonzero(np.asarray(solver.getSolution().col_value) > 0.5)
    late = solver.getModelStatus() == highspy.HighsModelStatus.kTimeLimit
    bound = float(solver.getInfo().mip_dual_bound) * unit
    return {"taken": taken, "bound": np.array(bound), "late": np.array(late)}


def answer_parent() -> None:
    """The child's whole life: task from standard input, answer to standard output."""
    answer_to = os.dup(1)
    os.dup2(2, 1)
    with np.load(io.BytesIO(sys.stdin.buffer.read()), allow_pickle=False) as sent:
        found = _solve({name: sent[name] for name in sent.files})
    out = io.BytesIO()
    np.savez(out, taken=found["taken"], bound=found["bound"], late=found["late"])
    with os.fdopen(answer_to, "wb") as pipe:
        pipe.write(out.getvalue())
