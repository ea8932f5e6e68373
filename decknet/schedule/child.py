"""What the child process of ``milp.py`` does: the solver on the whole problem, or on parts of it in turn."""

from __future__ import annotations

import io
import os
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from decknet.clock import Clock

if TYPE_CHECKING:
    import numpy.typing as npt

    Task = dict[str, npt.NDArray[Any]]

__all__ = ["answer_parent"]

TOLERANCE = 1e-9  # of a row scaled to 1, and of a whole number
PART = 0.3  # of the decks chosen anew in the first round
WIDER, NARROWER = 1.25, 0.9  # what becomes of that part after a round that ended, and one that ran out of branches


def _model(task: Task) -> tuple[Any, float]:
    """The problem as the solver takes it, values scaled to at most 1; and the scale."""
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
    return lp, unit


@dataclass(frozen=True, slots=True)
class _Stop:
    """When the solver stops.

    Attributes
    ----------
    gap : relative gap
    branches : count of branches
    checks : count of the times it looks whether to stop
    clock : the user's
    effort : part of its work that goes into finding programmes, 0 to 1
    """

    gap: float
    branches: int
    checks: int
    clock: Clock
    effort: float


def _stop(task: Task) -> _Stop:
    gap, branches, checks, seconds, effort = task["stop"].tolist()
    return _Stop(gap, int(branches), int(checks), Clock(seconds), effort)


def _run(lp: Any, start: Any, stop: _Stop) -> Any:
    """The solver after its run from a known programme."""
    import highspy

    solver = highspy.Highs()  # type: ignore[no-untyped-call]
    choices: dict[str, bool | int | float | str] = {
        "output_flag": False,
        "threads": 1,
        "random_seed": 0,
        "mip_rel_gap": stop.gap,
        "mip_abs_gap": 1e-9,
        "mip_max_nodes": stop.branches,
        "mip_feasibility_tolerance": TOLERANCE,
        "primal_feasibility_tolerance": TOLERANCE,
        "mip_heuristic_effort": stop.effort,
        "mip_ipm_solver": "ipx",  # the other calls the linear algebra library, whose sums hang on the processor
    }
    for name, setting in choices.items():
        solver.setOptionValue(name, setting)
    solver.passModel(lp)
    known = highspy.HighsSolution()
    known.col_value = start.tolist()
    solver.setSolution(known)
    checks = 0

    def look(event: Any) -> None:
        nonlocal checks
        checks += 1
        if checks >= stop.checks or stop.clock.struck():
            event.interrupt()

    solver.cbMipInterrupt += look
    solver.run()
    return solver


def _taken(solver: Any) -> Any:
    return np.asarray(solver.getSolution().col_value) > 0.5


def _solve(task: Task) -> Task:
    """The whole problem, as sent by ``solve_in_child``."""
    lp, unit = _model(task)
    stop = _stop(task)
    solver = _run(lp, task["start"], stop)
    bound = float(solver.getInfo().mip_dual_bound) * unit
    return {"taken": np.flatnonzero(_taken(solver)), "bound": np.array(bound), "late": np.array(stop.clock.hit)}


def _anew(task: Task) -> Task:
    """Parts of the decks chosen anew in turn, single decks and whole routes by turns, each from the best so far.

    A part grows as long as the solver ends with it, and shrinks where it does not.
    """
    import highspy

    lp, unit = _model(task)
    stop = _stop(task)
    deck, group = task["deck"], task["group"]
    lot = np.where(group >= 0, group, group.max(initial=0) + 1 + np.arange(len(group)))
    names, lot = np.unique(lot, return_inverse=True)
    best, worth = task["start"].copy(), float(task["worth"] @ task["start"])
    rng = np.random.default_rng(0)
    part, bound = PART, np.inf
    for turn in range(int(task["rounds"])):
        if stop.clock.struck():
            break
        free = rng.random(len(names))[lot] < part if turn % 2 else rng.random(len(group)) < part
        stays = np.flatnonzero(~free[deck])
        lower, upper = np.zeros(len(best)), np.ones(len(best))
        lower[stays] = upper[stays] = best[stays]
        lp.col_lower_, lp.col_upper_ = lower, upper
        solver = _run(lp, best, stop)
        found = _taken(solver).astype(np.float64)
        now = float(task["worth"] @ found)
        if now > worth:
            best, worth = found, now
        ended = solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
        if ended and not len(stays):
            bound = float(solver.getInfo().mip_dual_bound) * unit
            break
        part = min(part * (WIDER if ended else NARROWER), 1.0)
    return {"taken": np.flatnonzero(best > 0.5), "bound": np.array(bound), "late": np.array(stop.clock.hit)}


def answer_parent() -> None:
    """The child's whole life: task from standard input, answer to standard output."""
    answer_to = os.dup(1)
    os.dup2(2, 1)
    with np.load(io.BytesIO(sys.stdin.buffer.read()), allow_pickle=False) as sent:
        task = {name: sent[name] for name in sent.files}
    found = _anew(task) if task["rounds"] > 0 else _solve(task)
    out = io.BytesIO()
    np.savez(out, taken=found["taken"], bound=found["bound"], late=found["late"])
    with os.fdopen(answer_to, "wb") as pipe:
        pipe.write(out.getvalue())


if __name__ == "__main__":
    answer_parent()
