"""The documentation: everything it names exists, its examples run, every command is named."""

from __future__ import annotations

import csv
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from typer.main import get_command

from cli import main as cli
from cli.guide.pages import TOPICS, page, pages
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = get_command(cli.app).commands
# Commands of a group by both words, such as "token new".
EVERY = {
    **COMMANDS,
    **{
        f"{name} {inner}": command
        for name, group in COMMANDS.items()
        for inner, command in getattr(group, "commands", {}).items()
    },
}
TEXTS = {"README": README, **{each.topic: each.text for each in pages()}}


def blocks(text: str, language: str) -> list[str]:
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", text, flags=re.DOTALL | re.MULTILINE)
    return [body for tag, body in fenced if tag == language]


def commands_in(text: str) -> list[list[str]]:
    """Calls of highside in shell blocks and in inline code, each as a list of words."""
    lines = re.findall(r"`(highside [^`]*)`", re.sub(r"^```.*?^```$", "", text, flags=re.S | re.M))
    lines += "\n".join(blocks(text, "sh")).splitlines()
    found = [line.partition("#")[0].partition(" > ")[0].strip() for line in lines]
    return [shlex.split(line) for line in found if re.match(r"highside [a-z]", line)]


def run(words: list[str], monkeypatch, capsys) -> str:
    """Run a command and return its output; fails when the exit code is not 0."""
    monkeypatch.setattr(sys, "argv", words)
    with pytest.raises(SystemExit) as stop:
        cli.run()
    out, err = capsys.readouterr()
    assert not stop.value.code, (words, err)
    return out


# ------------------------------------------------------------------ README


def test_readme_is_short():
    assert README.count("\n") < 150
    before, _ = README.split("## What a plan says")
    assert before.count("\n") < 45  # a first plan within the first screen and a half


def test_readme_names_every_command_and_no_other():
    assert set(re.findall(r"`highside ([a-z]+)", README)) == set(COMMANDS)


def test_ci_calls_the_test_command_of_the_readme():
    # Each part has its own line, in order; the last also writes the report that CI reads.
    steps = "\n".join(blocks(README, "sh")).splitlines()
    command = next(line for line in steps if "pytest" in line)
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    *parts, tests = command.split(" && ")
    at = lines.index(parts[0])
    assert lines[at : at + len(parts) + 1] == [*parts, f'{tests} --junit-xml "$work/tests.xml"']


def test_the_shell_steps_of_the_readme_run(tmp_path, monkeypatch, capsys):
    from optimizer.operations.demo import season_folder

    monkeypatch.chdir(tmp_path)
    (tmp_path / "season").symlink_to(season_folder())
    steps = next(b for b in blocks(README, "sh") if b.startswith("highside init"))
    for step in steps.strip().splitlines():
        command, _, target = step.split("#")[0].strip().partition(" > ")
        words = shlex.split(command)
        words = [w for word in words for w in (sorted(map(str, tmp_path.glob(word))) or [word])]
        if words[1] == "load":
            # The site file of the season declares its material columns and decks.
            (tmp_path / "site.toml").write_bytes((tmp_path / "season/site.toml").read_bytes())
        out = run(words, monkeypatch, capsys)
        if target:
            (tmp_path / target).write_text(out, encoding="utf-8")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    from optimizer.operations.demo import demo as run_demo

    return run_demo(tmp_path_factory.mktemp("home") / "highside-demo")


def test_the_plan_in_the_readme_equals_the_plan_of_the_demo(demo):
    from cli.show import plan as show

    shown = next(b for b in blocks(README, "") if "Run now" in b)
    assert shown.strip() == show.plan(demo.plan.as_dict()).strip()


# ------------------------------------------------------------------ guide


def test_every_page_of_the_guide_is_listed_in_order():
    files = {path.stem for path in (ROOT / "cli/guide").glob("*.md")}
    assert files == set(TOPICS)
    assert tuple(re.findall(r"\]\(cli/guide/([a-z]+)\.md\)", README)) == TOPICS
    for each in pages():
        title = each.title[0].lower() + each.title[1:].replace(" HTTP", " HTTP")
        assert f"| {title} | [{each.topic}]" in README


@pytest.mark.parametrize("name", TEXTS)
def test_every_option_in_the_guide_exists(name):
    found = commands_in(TEXTS[name])
    for words in found:
        command = EVERY.get(" ".join(words[1:3])) or COMMANDS[words[1]]
        known = {flag for p in command.params for flag in (*p.opts, *p.secondary_opts)}
        used = {word for word in words[2:] if word.startswith("--")}
        assert used <= known | {"--help"}, words
    mentioned = set(re.findall(r"(?<![\w-])`(--[a-z][a-z-]*)", TEXTS[name]))
    every = {flag for c in EVERY.values() for p in c.params for flag in p.opts}
    assert mentioned <= every | {"--help"}, name


def test_the_guide_is_printed(monkeypatch, capsys):
    listed = run(["highside", "guide"], monkeypatch, capsys)
    assert all(f"  {each.topic}" in listed and each.title in listed for each in pages())
    for topic in TOPICS:
        said = run(["highside", "guide", topic], monkeypatch, capsys)
        assert said.startswith(page(topic).title)
        assert "```" not in said


def test_a_page_that_does_not_exist_is_refused_with_the_nearest(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["highside", "guide", "plans"])
    with pytest.raises(SystemExit) as stop:
        cli.run()
    assert stop.value.code == 2
    said = capsys.readouterr().err
    assert "the guide has no page 'plans'" in said
    assert "Did you mean 'plan'?" in said


def test_the_brief_in_the_guide_is_valid():
    document = tomllib.loads(blocks(page("plan").text, "toml")[0])
    brief = Brief.from_dict(document)
    assert set(document) == brief.model_fields_set
    # The example has every table that a brief can have.
    assert set(document) == set(Brief.model_fields)


def test_the_site_file_in_the_guide_is_valid():
    plant, own, gated, changed = map(tomllib.loads, blocks(page("site").text, "toml"))
    assert Site.from_dict(own).words.setting("air") == "damper"
    (earlier,) = Site.from_dict(changed).was("air", None)
    assert earlier.conversion(np.array([60.0])).tolist() == [80.0]
    site = Site.from_dict(plant)
    assert site.time_zone.name == "America/Bogota"
    assert site.space_of("deck-2")["air"].high == 80
    assert site.space_of("deck-1")["air"].max_change == 10
    site = Site.from_dict(gated)
    assert [s.high for s in site.space_of("deck-1").settings[4:]] == [90, 70, 90, 90]
    assert [s.high for s in site.space_of("deck-3").settings[4:]] == [60, 60, 60]


def test_the_streams_in_the_guide_can_be_balanced(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (streams,) = blocks(page("balance").text, "csv")
    (tmp_path / "streams.csv").write_text(streams, encoding="utf-8")
    assert "T1" in run(["highside", "balance", "streams.csv"], monkeypatch, capsys)
    assert (tmp_path / "balanced.csv").exists()
    run(["highside", "load", "balanced.csv"], monkeypatch, capsys)


def test_the_comparison_in_the_guide_equals_that_of_the_demo(demo, monkeypatch, capsys):
    monkeypatch.chdir(demo.folder)
    text = page("compare").text
    command = re.search(r"`(highside compare [^`]*)` asks every line", text).group(1)
    said = run(shlex.split(command), monkeypatch, capsys).splitlines()
    shown = next(b for b in blocks(text, "") if "attainable %" in b).splitlines()
    assert [line for line in shown if line and line not in said] == []


def test_the_diagnosis_in_the_guide_equals_that_of_the_demo(demo, monkeypatch, capsys):
    monkeypatch.chdir(demo.folder)
    said = run(shlex.split("highside diagnose --line deck-1"), monkeypatch, capsys).splitlines()
    shown = blocks(page("diagnose").text, "")[0].splitlines()
    assert [line for line in shown if line and line not in said] == []


@pytest.mark.parametrize(("topic", "printed"), [("python", "feed_rate"), ("notebook", "slotted")])
def test_the_python_blocks_of_the_guide_run(topic, printed, demo, monkeypatch, capsys):
    monkeypatch.chdir(demo.folder.parent)
    names: dict[str, object] = {}
    for block in blocks(page(topic).text, "python"):
        exec(compile(block, f"{topic}.md", "exec"), names)
    assert printed in capsys.readouterr().out


# ------------------------------------------------------------------ DEVELOPERS.md


def test_developers_names_what_exists_and_every_room():
    named = set(
        re.findall(r"`((?:optimizer|cli|tests|datasets|reports|\.ci)/[^`*<]*)`", DEVELOPERS)
    )
    assert not [path for path in named if not (ROOT / path).exists()]
    parts = [p for p in (ROOT / "optimizer").iterdir() if not p.name.startswith("_")]
    rooms = {f"optimizer/{p.name}/" for p in parts if p.is_dir() and (p / "__init__.py").exists()}
    unnamed = [room for room in sorted(rooms) if f"`{room}`" not in DEVELOPERS]
    assert not unnamed


def test_every_dependency_is_explained():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    declared = [*project["dependencies"], *extras["cluster"], *extras["test"]]
    names = {re.match(r"[\w-]+", each)[0].lower() for each in declared}
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \|$", DEVELOPERS.split("## Dependencies")[1], re.M)
    explained = {name.split(" ")[0].lower() for row in rows for name in row.split(", ")}
    assert explained - {"package", "---"} == names


def copy_with(tmp_path: Path, module: str, before: str, line: str) -> Path:
    """Copy the package and insert a line after another in one module; return the folder."""
    for name in ("optimizer", "cli", "datasets"):
        shutil.copytree(ROOT / name, tmp_path / "copy" / name)
    path = tmp_path / "copy" / module
    text = path.read_text(encoding="utf-8")
    assert text.count(before) == 1
    path.write_text(text.replace(before, f"{before}\n{line}"), encoding="utf-8")
    return tmp_path / "copy"


def highside(copy: Path, folder: Path, *words: str) -> str:
    """The output of a command of a copied package; fails when the exit code is not 0."""
    code = "import sys; from cli.main import program; program()"
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(copy)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


RUN = "run_id,line,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery"
VALUES = "r1,deck-1,2,2.4,2,450,37,0.987,0.931"


def test_a_column_is_added_to_the_log_by_the_documented_line(tmp_path):
    old = tmp_path / "old.csv"
    old.write_text(f"{RUN}\n{VALUES}\n", encoding="utf-8")
    (tmp_path / "new.csv").write_text(
        f"{RUN},shift\n{VALUES.replace('r1', 'r2')},early\n", encoding="utf-8"
    )
    highside(ROOT, tmp_path, "load", "old.csv")
    copy = copy_with(
        tmp_path,
        "optimizer/plant/run_columns.py",
        '    RunColumn("note", Kind.text),',
        '    RunColumn("shift", Kind.text),',
    )
    assert "1 added" in highside(copy, tmp_path, "load", "new.csv")
    highside(copy, tmp_path, "history", "--export", "runs.csv")
    with (tmp_path / "runs.csv").open(encoding="utf-8-sig") as file:
        assert {row["run_id"]: row["shift"] for row in csv.DictReader(file)} == {
            "r1": "",
            "r2": "early",
        }


def test_a_setting_is_added_by_the_documented_line(tmp_path):
    copy = copy_with(
        tmp_path,
        "optimizer/plant/settings.py",
        '        Setting("air", "turn", 0.0, 90.0, 1.0),',
        '        Setting("gate_height", "mm", 5.0, 60.0, 1.0),',
    )
    rows = [
        f"{VALUES.replace('r1', f'r{k}').replace('450', str(440 + 5 * k))},{10 + k}"
        for k in range(4)
    ]
    (tmp_path / "log.csv").write_text("\n".join([f"{RUN},gate_height", *rows]), encoding="utf-8")
    assert "4 added" in highside(copy, tmp_path, "load", "log.csv")
    plan = json.loads(highside(copy, tmp_path, "suggest", "--trials", "1", "--json"))
    assert 5 <= plan["recommendations"][0]["settings"]["gate_height"] <= 60
    highside(copy, tmp_path, "init", "site.toml")
    assert "[settings.gate_height]" in (tmp_path / "site.toml").read_text(encoding="utf-8")


# ------------------------------------------------------------------ modules


def test_every_module_has_a_docstring():
    for path in [*ROOT.glob("optimizer/**/*.py"), *ROOT.glob("cli/**/*.py")]:
        text = path.read_text(encoding="utf-8")
        assert text.startswith('"""'), path
