"""The structure of the package: one-way imports, light start-up, small modules."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.structure import figures_of, functions_of, modules_of, parameters_of

ROOT = Path(__file__).resolve().parents[1]
HEAVY = {
    "numpy",
    "scipy",
    "sklearn",
    "pandas",
    "pyarrow",
    "deltalake",
    "pint",
    "skopt",
    "pydantic",
    "matplotlib",
    "jinja2",
    "fpdf",
    "fastapi",
    "uvicorn",
}


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    command = Path(sys.executable).with_name("lint-imports")
    return subprocess.run(
        [command, "--no-cache"], cwd=folder, capture_output=True, text=True, check=False
    )


def test_imports_flow_one_way():
    done = lint_imports(ROOT)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("optimizer/plant/settings.py", "import optimizer.planning.planner"),
        ("optimizer/model/surrogate.py", "import optimizer.simulation"),
        ("optimizer/measurement/__init__.py", "import optimizer.history.history"),
        ("optimizer/history/history.py", "import sklearn"),
        ("optimizer/planning/planner.py", "import typer"),
        ("optimizer/plant/brief.py", "import cli.show.plan"),
        ("optimizer/helpers.py", "import optimizer.errors"),
        # Imports under TYPE_CHECKING and inside functions count as well.
        ("optimizer/model/joint.py", "if TYPE_CHECKING:\n    import optimizer.planning.plan"),
        ("optimizer/plant/site.py", "def late():\n    import optimizer.history.history"),
    ],
)
def test_a_planted_fault_is_caught(tmp_path, module, line):
    for name in ("optimizer", "cli"):
        shutil.copytree(ROOT / name, tmp_path / name)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    path = tmp_path / module
    text = path.read_text(encoding="utf-8") if path.exists() else '"""New."""\n'
    path.write_text(text + f"\n{line}\n", encoding="utf-8")
    done = lint_imports(tmp_path)
    assert done.returncode != 0, done.stdout


def test_nothing_imports_in_a_circle():
    found = figures_of(ROOT)
    assert not found.circles
    assert found.values["depth between rooms"] <= 17


def test_a_planted_circle_is_found(tmp_path):
    for name in ("optimizer", "cli"):
        shutil.copytree(ROOT / name, tmp_path / name)
    path = tmp_path / "optimizer/planning/regret.py"
    late = "\n\ndef late():\n    from optimizer.planning import planner\n"
    path.write_text(path.read_text(encoding="utf-8") + late, encoding="utf-8")
    (circle,) = figures_of(tmp_path).circles
    assert {"optimizer.planning.regret", "optimizer.planning.planner"} <= set(circle)


def loaded_by(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint('\\n'.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )
    names = done.stdout.splitlines()
    return {name.partition(".")[0] for name in names} | set(names)


@pytest.mark.parametrize(
    "code", ["import optimizer", "import optimizer.interop", "import cli.main"]
)
def test_start_up_loads_nothing_heavy(code):
    assert not loaded_by(code) & HEAVY


def test_a_lazy_name_imports_its_module():
    assert "scipy" in loaded_by("from optimizer import suggest")


def test_a_plan_does_not_load_libraries_that_it_does_not_use():
    assert not loaded_by("from optimizer import suggest") & {"sklearn", "pandas", "matplotlib"}
    assert "scipy.stats" not in loaded_by("from optimizer import suggest")


MODULES = sorted(
    ".".join(p.relative_to(ROOT).with_suffix("").parts)
    for name in ("optimizer", "cli")
    for p in ROOT.glob(f"{name}/**/*.py")
    if p.name != "__init__.py"
)


def test_each_module_imports_alone():
    script = (
        "import importlib, sys\n"
        "for name in sys.argv[1:]:\n"
        "    before = set(sys.modules)\n"
        "    importlib.import_module(name)\n"
        "    for m in set(sys.modules) - before:\n"
        "        if m.partition('.')[0] in ('optimizer', 'cli'):\n"
        "            del sys.modules[m]\n"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", script, *MODULES], check=True, cwd=ROOT)


MOST_LINES, MOST_FUNCTION_LINES, MOST_PARAMETERS, MOST_FILES = 400, 60, 8, 16


def too_large(root: Path) -> list[str]:
    """Modules, functions, parameter lists and folders above their limit, each with its size."""
    found = []
    for module in modules_of(root).values():
        if module.lines > MOST_LINES:
            found.append(f"{module.name} has {module.lines} lines")
        for function in functions_of(module):
            name = f"{module.name}.{function.name}"
            lines = (function.end_lineno or 0) - function.lineno + 1
            if lines > MOST_FUNCTION_LINES:
                found.append(f"{name} has {lines} lines")
            # The parameters of a command are its options and have no limit.
            count = parameters_of(function)
            if count > MOST_PARAMETERS and not module.name.startswith("cli.commands"):
                found.append(f"{name} has {count} parameters")
    for folder in {
        path.parent for name in ("optimizer", "cli") for path in root.glob(f"{name}/**/*.py")
    }:
        files = len([path for path in folder.glob("*.py") if path.name != "__init__.py"])
        if files > MOST_FILES:
            found.append(f"{folder.name} has {files} files")
    return found


def test_modules_functions_and_folders_stay_small():
    assert not too_large(ROOT)


def test_a_planted_oversize_is_found(tmp_path):
    folder = tmp_path / "optimizer" / "room"
    folder.mkdir(parents=True)
    for k in range(17):
        (folder / f"part_{k}.py").write_text('"""Part."""\n', encoding="utf-8")
    names = ", ".join(f"p{k}" for k in range(9))
    long = "def long():\n" + "    pass\n" * 60
    text = f"def wide({names}):\n    pass\n\n\n{long}" + "\n" * 340
    (folder / "large.py").write_text(text, encoding="utf-8")
    name = "optimizer.room.large"
    assert sorted(too_large(tmp_path)) == [
        f"{name} has 405 lines",
        f"{name}.long has 61 lines",
        f"{name}.wide has 9 parameters",
        "room has 18 files",
    ]
