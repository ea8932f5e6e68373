"""How much work a search does, in counts: the same work, and so the same answer, on any machine."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.errors import SettingsError

__all__ = ["EFFORTS", "SOLVER_ALONE", "Effort", "Runs", "effort_of"]


@dataclass(frozen=True, slots=True)
class Runs:
    """Work of the mixed-integer solver in its two child processes.

    Attributes
    ----------
    branches : options times branches over the whole problem
    checks : times that the solver looks whether it should stop; bounds the work before the first branch too
    parts : parts of the decks chosen anew, beside it
    part_branches, part_checks : the same for each part
    """

    branches: int
    checks: int
    parts: int
    part_branches: int
    part_checks: int


@dataclass(frozen=True, slots=True)
class Effort:
    """Counts at which the steps of a search stop.

    Attributes
    ----------
    price_vectors : price vectors at which a programme is built
    search_steps : steps of the depth-first search over all years
    group_steps, groups, sweeps : steps of it for each few years anew, such lots of years, rounds over them
    plan_steps : steps of money in which a year is counted while the worth of decks between yearly plans is sought,
        and steps of that search; first roughly, then finely
    try_cells : steps of money in which a year is counted for programmes
    plan_tries : times that some years' plans are made anew
    runs : of the mixed-integer solver where years hang together, one after the other, each from the last
    runs_after_plans : the same where plans of single years have been put together before
    """

    price_vectors: int
    search_steps: int
    group_steps: int
    groups: int
    sweeps: int
    plan_steps: tuple[tuple[int, int], tuple[int, int]]
    try_cells: int
    plan_tries: int
    runs: tuple[Runs, ...]
    runs_after_plans: tuple[Runs, ...]


_LONG = (Runs(300_000, 4_000, 5, 60, 4_000), Runs(4_000_000, 60_000, 10, 60, 4_000))
EFFORTS = {
    "quick": Effort(
        6, 20_000, 4_000, 10, 1, ((1_500, 15), (6_000, 5)), 1_500, 60, (Runs(60_000, 150, 1, 20, 100),), ()
    ),
    "normal": Effort(
        12, 150_000, 20_000, 45, 4, ((3_000, 60), (40_000, 35)), 3_000, 900,
        (Runs(150_000, 400, 3, 40, 400), Runs(300_000, 1_500, 4, 60, 400)), (),
    ),
    "long": Effort(12, 400_000, 40_000, 120, 6, ((12_000, 120), (120_000, 60)), 6_000, 8_000, _LONG, _LONG[:1]),
}  # fmt: skip
SOLVER_ALONE = Runs(10**9, 10**9, 0, 0, 0)  # for comparison: until it is done, or the user's clock strikes


def effort_of(name: str) -> Effort:
    """The counts of an effort by its name.

    Raises
    ------
    SettingsError
        No such effort.

    Examples
    --------
    >>> effort_of("quick").plan_tries < effort_of("normal").plan_tries < effort_of("long").plan_tries
    True
    """
    if name not in EFFORTS:
        raise SettingsError(f"programme.effort: {name!r} is not known. Say {', '.join(EFFORTS)}.")
    return EFFORTS[name]
