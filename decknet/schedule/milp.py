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
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Whole = npt.NDArray[np.intp]

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


def solve_in_child(
    *,
    owner: Whole,
    year: Whole,
    money: Floats,
    days: Floats | None,
    value: Floats,
    money_limit: Floats,
    days_limit: Floats | None,
    begin: Floats,
    gap: float,
    branches: int,
    time_limit_s: float,
) -> Answer | None:
    """Maximise the value taken: one option an owner at most, within each year's money and days.

    Parameters
    ----------
    owner, year : arrays, shape (options,), from 0; owners never fall
    money, days, value : arrays, shape (options,), currency, crew days, any worth
    money_limit, days_limit : arrays, shape (years,), currency, crew days; days None for no limit
    begin : array, shape (options,), 1 where a known programme takes the option, else 0
    gap : relative gap at which to stop
    branches : int, branches at which to stop
    time_limit_s : s, after which the solver is asked to stop; some seconds later it is killed

    Returns
    -------
    Answer or None
        None where the child was killed or came to grief; then nothing new is known.
    """
    task = io.BytesIO()
    none = np.zeros(0)
    np.savez(
        task,
        owner=owner,
        year=year,
        money=money,
        days=none if days is None else days,
        value=value,
        money_limit=money_limit,
        days_limit=none if days_limit is None else days_limit,
        begin=begin,
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
        return Answer(found["taken"], float(found["bound"]), bool(found["late"]))


def _solve(task: dict[str, npt.NDArray[np.float64]]) -> dict[str, npt.NDArray[np.float64]]:
    """Run the solver on a task as sent by `solve_in_child`."""
    import highspy

    owner, year = task["owner"].astype(np.int64), task["year"].astype(np.int64)
    n, owners, years = len(owner), int(owner[-1]) + 1, len(task["money_limit"])
    unit = float(np.max(np.abs(task["value"])))
    needs = [(task["money"], task["money_limit"])]
    if len(task["days_limit"]):
        needs.append((task["days"], task["days_limit"]))
    index = [owner]
    entry = [np.ones(n)]
    for k, (need, limit) in enumerate(needs):
        index.append(owners + k * years + year)
        entry.append(need / np.where(limit > 0, limit, 1.0)[year])
    width = len(index)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = n, owners + len(needs) * years
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_ = task["value"] / unit
    lp.col_lower_, lp.col_upper_ = np.zeros(n), np.ones(n)
    lp.row_lower_ = np.full(lp.num_row_, -highspy.kHighsInf)
    lp.row_upper_ = np.concatenate([np.ones(owners), *((limit > 0).astype(np.float64) for _, limit in needs)])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = np.arange(0, width * n + 1, width, dtype=np.int32)
    lp.a_matrix_.index_ = np.column_stack(index).ravel().astype(np.int32)
    lp.a_matrix_.value_ = np.column_stack(entry).ravel()
    lp.integrality_ = [highspy.HighsVarType.kInteger] * n

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
    known.col_value = task["begin"].tolist()
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
