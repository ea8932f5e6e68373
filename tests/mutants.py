"""Small faults to put into a file, one at a time: each place that can be changed, and the ways to change it."""

from __future__ import annotations

import ast
import copy
import dataclasses
import random
from collections.abc import Iterator
from pathlib import Path

__all__ = ["Place", "places", "sample"]

COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.GtE),
    ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.LtE),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
COMBINED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
_PAIRS = (
    "min max", "minimum maximum", "fmin fmax", "nanmin nanmax", "argmin argmax", "idxmin idxmax", "floor ceil",
    "any all", "sin cos", "exp log", "head tail", "ffill bfill", "first last", "cummin cummax", "mean median",
    "union intersection", "union_all intersection_all", "covers intersects", "notna isna", "lower upper",
)  # fmt: skip
NAMES = {a: b for pair in _PAIRS for a, b in (pair.split(), reversed(pair.split()))}
WORDS = {"left": "right", "right": "left", "first": "last", "last": "first", "min": "max", "max": "min"}


@dataclasses.dataclass(frozen=True)
class Place:
    """A stretch of a file and what may stand there instead; start and stop are byte offsets."""

    path: Path
    line: int
    start: int
    stop: int
    ways: tuple[str, ...]

    def text(self, way: str) -> str:
        """The whole file with one way taken."""
        whole = self.path.read_bytes()
        return (whole[: self.start] + way.encode() + whole[self.stop :]).decode()


def _ways(node: ast.AST) -> Iterator[ast.AST]:
    """What may stand in a node's place; one arm a kind of node, so it is long and flat."""
    match node:
        case ast.Compare(ops=ops):
            for n, op in enumerate(ops):
                for other in COMPARED[type(op)]:
                    yield _with(node, ops=[*ops[:n], other(), *ops[n + 1 :]])
        case ast.BinOp(left=left, right=right, op=op) if type(op) in COMBINED:
            yield _with(node, op=COMBINED[type(op)]())
            yield left
            if isinstance(op, ast.BitAnd | ast.BitOr):
                yield right
        case ast.AugAssign(op=op):
            if type(op) in COMBINED:
                yield _with(node, op=COMBINED[type(op)]())
            yield ast.Pass()
        case ast.BoolOp(op=op, values=values):
            yield _with(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
            for n in range(len(values)):
                rest = values[:n] + values[n + 1 :]
                yield rest[0] if len(rest) == 1 else _with(node, values=rest)
        case ast.UnaryOp(operand=operand):
            yield operand
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value)):
            yield ast.Constant(value + 1)
            yield ast.Constant(value - 1)
        case ast.Constant(value=float(value)):
            yield ast.Constant(value * 1.1 if value else 1.0)
        case ast.Attribute(attr=name) if name in NAMES:
            yield _with(node, attr=NAMES[name])
        case ast.Call(func=ast.Name(id=name)) if name in NAMES:
            yield _with(node, func=ast.Name(NAMES[name], ast.Load()))
        case ast.Call(func=ast.Attribute(attr="where"), args=[chosen, one, other]):
            yield _with(node, args=[chosen, other, one])
        case ast.Call(keywords=given):
            for n, word in enumerate(given):
                if word.arg in NAMES:
                    yield _with(node, keywords=[*given[:n], _with(word, arg=NAMES[word.arg]), *given[n + 1 :]])
                elif isinstance(word.value, ast.Constant) and word.value.value in WORDS and word.arg != "how":
                    other = _with(word, value=ast.Constant(WORDS[word.value.value]))
                    yield _with(node, keywords=[*given[:n], other, *given[n + 1 :]])
        case ast.IfExp(body=body, orelse=other):
            yield body
            yield other
        case ast.Slice(lower=low, upper=high):
            if low is not None and not isinstance(low, ast.Constant):
                yield _with(node, lower=ast.BinOp(low, ast.Add(), ast.Constant(1)))
            if high is not None and not isinstance(high, ast.Constant):
                yield _with(node, upper=ast.BinOp(high, ast.Sub(), ast.Constant(1)))
        case ast.Assign(targets=[ast.Subscript()]) | ast.Expr(value=ast.Call()):
            yield ast.Pass()
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Continue()


def _with(node: ast.AST, **changed: object) -> ast.AST:
    other = copy.copy(node)
    for name, value in changed.items():
        setattr(other, name, value)
    return other


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    """Every node that decides something: no annotation or decorator, no message, no list of names given out."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            names = isinstance(child, ast.Assign) and ast.unparse(child.targets[0]) == "__all__"
            if isinstance(child, ast.AST) and not names and not isinstance(child, ast.JoinedStr | ast.Raise):
                yield from _walk(child)


def places(path: Path) -> list[Place]:
    """Every place of a file that can be changed."""
    whole = path.read_bytes()
    lines = [0]
    for line in whole.splitlines(keepends=True):
        lines.append(lines[-1] + len(line))
    out = []
    for node in _walk(ast.parse(whole)):
        if not hasattr(node, "lineno"):
            continue
        made = [ast.unparse(ast.fix_missing_locations(way)) for way in _ways(node)]
        bare = isinstance(node, ast.stmt | ast.Slice | ast.Constant | ast.Attribute | ast.Call)
        ways = dict.fromkeys(way if bare else f"({way})" for way in made)
        if ways:
            start, stop = lines[node.lineno - 1] + node.col_offset, lines[node.end_lineno - 1] + node.end_col_offset
            out.append(Place(path, node.lineno, start, stop, tuple(ways)))
    return out


def sample(found: list[Place], count: int, seed: int) -> list[tuple[Place, str]]:
    """A place drawn at random, then one of its ways; no place twice, in the order of the files."""
    rng = random.Random(seed)
    drawn = rng.sample(range(len(found)), min(count, len(found)))
    return [(found[n], rng.choice(found[n].ways)) for n in sorted(drawn)]
