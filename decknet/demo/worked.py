"""Worked questions over the views, as they are asked most."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources

from decknet.errors import DecknetError

__all__ = ["Question", "question_reference", "worked_question", "worked_questions"]


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    name : str
    asks : str
        The question in plain words.
    sql : str
    """

    name: str
    asks: str
    sql: str


def worked_questions() -> list[Question]:
    """All of them, in order.

    Examples
    --------
    >>> len(worked_questions()) >= 12
    True
    """
    folder = resources.files("decknet.demo").joinpath("questions")
    out = []
    for file in sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name):
        text = file.read_text(encoding="utf-8")
        asks = " ".join(line.removeprefix("--").strip() for line in text.splitlines() if line.startswith("--"))
        out.append(Question(file.name[3:-4], asks, text))
    return out


def worked_question(name: str) -> Question:
    """The one of that name.

    Raises
    ------
    DecknetError
        There is none; those there are, are listed.
    """
    known = worked_questions()
    for question in known:
        if question.name == name:
            return question
    raise DecknetError(f"question {name!r}: there is none of that name. Known: {', '.join(q.name for q in known)}.")


def question_reference() -> str:
    """The questions as a Markdown table."""
    lines = ["| `--question` | what is asked |", "| --- | --- |"]
    lines += [f"| `{q.name}` | {q.asks} |" for q in worked_questions()]
    return "\n".join(lines) + "\n"
