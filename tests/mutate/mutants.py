"""Small mistakes that a person could make in a module, each as a changed text of that module."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

SWAPPED: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Pow: (ast.Mult,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
DELETED = (ast.Expr, ast.AugAssign, ast.Raise, ast.Continue, ast.Break)
"""Statements that may be left out."""
KEPT = (ast.Constant, ast.Yield, ast.YieldFrom)
"""Values whose statement is no mistake to leave out: docstrings, and what makes a generator."""
SYMMETRIC = (
    "clip",
    "maximum",
    "minimum",
    "max",
    "min",
    "hypot",
    "allclose",
    "array_equal",
    "logaddexp",
)
"""Functions whose first two arguments may change places."""
# A constant that is a share or a width is off by a tenth, a count is off by one.
OFF = 1.1
# A smaller constant absorbs rounding, and a tenth of it matters to nobody.
SMALLEST = 1e-6


@dataclass(frozen=True)
class Mutant:
    """A module with one mistake.

    Attributes:
        path: the module, from the root of the tree.
        line: line of the mistake, from 1.
        was, became: the text before and after.
        source: the whole module with the mistake.
        constant: whether the mistake is in a constant at the top of the module, such as
            ``DRAWS = 512``.
    """

    path: str
    line: int
    was: str
    became: str
    source: str
    constant: bool = False


def mutants_of(path: str, source: str) -> list[Mutant]:
    """All mutants of a module, in the order of its lines."""
    lines = source.splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line.encode()))
    content, found = source.encode(), []
    tree = ast.parse(source)
    constants = {inner for each in tree.body if is_constant(each) for inner in ast.walk(each)}
    for node in nodes_of(tree):
        begin = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        was = content[begin:end].decode()
        for became in changes_of(node):
            text = became if isinstance(node, ast.stmt) else f"({became})"
            changed = (content[:begin] + text.encode() + content[end:]).decode()
            found.append(Mutant(path, node.lineno, was, became, changed, node in constants))
    return sorted(found, key=lambda mutant: mutant.line)


def nodes_of(node: ast.AST) -> Iterator[ast.AST]:
    """The nodes below one at which a mistake can show: no types, decorators, formatted texts,
    imports for the type checker, or ``strict`` of a ``zip``, whose lengths agree."""
    left_out: list[ast.AST | None] = [getattr(node, "annotation", None)]
    left_out += [getattr(node, "returns", None), *getattr(node, "decorator_list", ())]
    for child in ast.iter_child_nodes(node):
        typing = isinstance(child, ast.If) and ast.unparse(child.test) == "TYPE_CHECKING"
        strict = isinstance(child, ast.keyword) and child.arg == "strict"
        if typing or strict or child in left_out or isinstance(child, ast.JoinedStr | ast.Import):
            continue
        if isinstance(child, ast.expr | ast.stmt):
            yield child
        yield from nodes_of(child)


def is_constant(node: ast.stmt) -> bool:
    """Whether a statement gives values to names in capitals alone."""
    targets: list[ast.expr] = []
    if isinstance(node, ast.Assign):
        targets = node.targets
    elif isinstance(node, ast.AnnAssign):
        targets = [node.target]
    names = [
        each.id for target in targets for each in ast.walk(target) if isinstance(each, ast.Name)
    ]
    return bool(names) and all(name.isupper() for name in names)


def changes_of(node: ast.AST) -> Iterator[str]:
    """The texts that a node is replaced by, one for each mistake."""
    for changed in changed_nodes(node):
        yield ast.unparse(changed)


def changed_nodes(node: ast.AST) -> Iterator[ast.AST]:
    """The nodes that a node is replaced by."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for other in SWAPPED.get(type(node.ops[0]), ()):
            yield with_field(node, ops=[other()])
    elif isinstance(node, ast.BinOp | ast.BoolOp):
        for other in SWAPPED.get(type(node.op), ()):
            yield with_field(node, op=other())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node.operand
    elif isinstance(node, ast.Constant):
        yield from changed_constant(node)
    elif isinstance(node, ast.IfExp):
        yield with_field(node, body=node.orelse, orelse=node.body)
    elif isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] not in SYMMETRIC:
        if len(node.args) > 1 and not any(isinstance(a, ast.Starred) for a in node.args[:2]):
            first, second, *rest = node.args
            if ast.unparse(first) != ast.unparse(second):
                yield with_field(node, args=[second, first, *rest])
    elif isinstance(node, DELETED) and not is_kept(node):
        yield ast.Pass()


def is_kept(node: ast.AST) -> bool:
    """Whether a statement is a docstring, or makes its function a generator."""
    return isinstance(node, ast.Expr) and isinstance(node.value, KEPT)


def changed_constant(node: ast.Constant) -> Iterator[ast.AST]:
    value = node.value
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int):
        yield ast.Constant(value + 1)
    elif isinstance(value, float) and not 0.0 < value < SMALLEST:
        yield ast.Constant(value * OFF if value else 1.0)


def with_field(node: ast.AST, **changed: object) -> ast.AST:
    other = copy.copy(node)
    for name, value in changed.items():
        setattr(other, name, value)
    return other
