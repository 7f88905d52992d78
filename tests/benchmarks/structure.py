"""Structure of the package in figures: modules, functions, parameters, rooms and their imports.

    python -m tests.benchmarks.structure
    python -m tests.benchmarks.structure --commit 509422a

A room is a folder of the package, or a module that stands beside the folders. Every import counts,
including imports inside functions and under TYPE_CHECKING. The depth is the longest chain of
imports between rooms; a circle is a group of rooms, or of modules, that import each other.
"""

from __future__ import annotations

import argparse
import ast
import io
import statistics
import subprocess
import tarfile
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("optimizer", "cli")
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Module:
    """One file of the package: its dotted name, its lines and its syntax tree."""

    name: str
    lines: int
    tree: ast.Module
    is_package: bool


@dataclass(frozen=True)
class Figures:
    """The figures of one checkout, by name, with its import circles and its longest chain."""

    values: Mapping[str, object]
    circles: tuple[tuple[str, ...], ...]
    longest: tuple[str, ...]

    def __str__(self) -> str:
        width = max(map(len, self.values))
        rows = [f"{name:<{width}}  {value}" for name, value in self.values.items()]
        rows += [f"circle: {', '.join(circle)}" for circle in self.circles]
        return "\n".join([*rows, f"longest chain: {' -> '.join(self.longest)}"])


def modules_of(root: Path) -> dict[str, Module]:
    """Every module of the package below ``root``, by dotted name."""
    found = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            name = ".".join(path.relative_to(root).with_suffix("").parts)
            is_package = name.endswith(".__init__")
            name = name.removesuffix(".__init__")
            found[name] = Module(name, len(text.splitlines()), ast.parse(text), is_package)
    return found


def imports_of(module: Module, known: Mapping[str, Module]) -> set[str]:
    """Modules of the package that a module imports at any place in its code."""
    found: set[str] = set()
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            parts = (f"{node.module}.{alias.name}" for alias in node.names)
            found |= {part if part in known else node.module for part in parts}
    return {name for name in found if name in known and name != module.name}


def rooms_of(modules: Mapping[str, Module]) -> dict[str, str]:
    """The room of each module: its folder, or the module itself when it is outside the folders."""
    packages = {m.name for m in modules.values() if m.is_package}
    rooms = {}
    for name in modules:
        parent = name if name in packages else name.rpartition(".")[0]
        rooms[name] = name if parent in PACKAGES else parent
    return rooms


def circles_of(edges: Mapping[str, set[str]]) -> list[tuple[str, ...]]:
    """Strongly connected groups of two or more nodes (Tarjan, SIAM J. Comput. 1, 1972, 146)."""
    order: dict[str, int] = {}
    lowest: dict[str, int] = {}
    stack: list[str] = []
    groups: list[tuple[str, ...]] = []

    def visit(node: str) -> None:
        order[node] = lowest[node] = len(order)
        stack.append(node)
        for other in sorted(edges[node]):
            if other not in order:
                visit(other)
                lowest[node] = min(lowest[node], lowest[other])
            elif other in stack:
                lowest[node] = min(lowest[node], order[other])
        if lowest[node] == order[node]:
            cut = stack.index(node)
            groups.append(tuple(sorted(stack[cut:])))
            del stack[cut:]

    for node in sorted(edges):
        if node not in order:
            visit(node)
    return [group for group in groups if len(group) > 1]


def longest_chain(edges: Mapping[str, set[str]], circles: Iterable[tuple[str, ...]]) -> list[str]:
    """The longest chain of imports; imports within a circle do not count."""
    circle_of = {name: circle for circle in circles for name in circle}
    known: dict[str, list[str]] = {}

    def chain(node: str) -> list[str]:
        if node not in known:
            below = [n for n in sorted(edges[node]) if n not in circle_of.get(node, ())]
            known[node] = [node, *max((chain(n) for n in below), key=len, default=[])]
        return known[node]

    return max((chain(node) for node in sorted(edges)), key=len)


def functions_of(module: Module) -> Iterator[Function]:
    """Every function and method of a module."""
    for node in ast.walk(module.tree):
        if isinstance(node, Function):
            yield node


def parameters_of(function: Function) -> int:
    """How many parameters a function takes; ``self`` and ``cls`` do not count."""
    a = function.args
    names = [p.arg for p in (*a.posonlyargs, *a.args, *a.kwonlyargs)]
    return len([n for n in names if n not in ("self", "cls")])


def is_public(node: ast.AST) -> bool:
    """Whether a definition has a public name."""
    return not getattr(node, "name", "_").startswith("_")


def figures_of(root: Path) -> Figures:
    """All figures of the checkout at ``root``."""
    modules = modules_of(root)
    filled = [m for m in modules.values() if m.lines > 5]
    module_edges = {m.name: imports_of(m, modules) for m in modules.values()}
    rooms = rooms_of(modules)
    room_edges: dict[str, set[str]] = {room: set() for room in rooms.values()}
    for name, others in module_edges.items():
        room_edges[rooms[name]] |= {rooms[other] for other in others} - {rooms[name]}
    room_circles = circles_of(room_edges)
    module_circles = circles_of(module_edges)
    chain = longest_chain(room_edges, room_circles)
    functions = [(m.name, f) for m in modules.values() for f in functions_of(m)]
    lengths = sorted((f.end_lineno or f.lineno) - f.lineno + 1 for _, f in functions)
    wide = [
        (parameters_of(f), f"{name}.{f.name}")
        for name, f in functions
        if not name.startswith(("cli.commands", "cli.main")) and not name.endswith("_command")
    ]
    longest_module = max(filled, key=lambda m: m.lines)
    longest_function = max(functions, key=lambda of: (of[1].end_lineno or 0) - of[1].lineno)
    most_parameters = max(wide)
    named = [
        node
        for m in modules.values()
        for node in ast.walk(m.tree)
        if isinstance(node, ast.ClassDef | Function) and is_public(node)
    ]
    documented = sum(ast.get_docstring(node) is not None for node in named)
    folders: dict[str, int] = {}
    for m in modules.values():
        if not m.is_package:
            parent = m.name.rpartition(".")[0]
            folders[parent] = folders.get(parent, 0) + 1
    fullest = max(folders, key=lambda f: folders[f])
    values = {
        "modules": len(modules),
        "lines of a module: median": statistics.median(m.lines for m in filled),
        "lines of a module: largest": f"{longest_module.lines} ({longest_module.name})",
        "functions": len(functions),
        "lines of a function: median": statistics.median(lengths),
        "lines of a function: 90th of a hundred": lengths[int(0.9 * len(lengths))],
        "lines of a function: largest": f"{lengths[-1]} "
        f"({longest_function[0]}.{longest_function[1].name})",
        "parameters, commands left out: most": f"{most_parameters[0]} ({most_parameters[1]})",
        "files in a folder: most": f"{folders[fullest]} ({fullest})",
        "modules beside the folders of optimizer": folders.get("optimizer", 0),
        "rooms": len(room_edges),
        "arrows between rooms": sum(map(len, room_edges.values())),
        "depth between rooms": len(chain),
        "circles of rooms": len(room_circles),
        "circles of modules": len(module_circles),
        "public names with a docstring": f"{documented} of {len(named)}",
    }
    return Figures(values, (*room_circles, *module_circles), tuple(chain))


def main() -> None:
    """Print the figures of the working tree or of one commit."""
    parser = argparse.ArgumentParser(description="The structure of the package in figures.")
    parser.add_argument("--commit", help="measure this commit instead of the working tree")
    commit = parser.parse_args().commit
    if commit is None:
        print(figures_of(ROOT))
        return
    packed = subprocess.run(
        ["git", "archive", commit, *PACKAGES], cwd=ROOT, capture_output=True, check=True
    ).stdout
    with tempfile.TemporaryDirectory() as folder:
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            archive.extractall(folder, filter="data")
        print(figures_of(Path(folder)))


if __name__ == "__main__":
    main()
