"""Documentation is true: what it names exists, what it shows runs, what exists is named."""

from __future__ import annotations

import re
import shlex
import sys
import tomllib
from pathlib import Path

import pytest

from cli import main as cli
from optimizer.plant.brief import Brief

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = {c.name or c.callback.__name__ for c in cli.app.registered_commands}


def blocks(language: str) -> list[str]:
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", README, flags=re.DOTALL | re.MULTILINE)
    return [body for tag, body in fenced if tag == language]


def test_readme_names_every_command_and_no_other():
    named = set(re.findall(r"`highside ([a-z]+)", README))
    assert named == COMMANDS


def test_ci_calls_the_test_command_of_the_readme():
    # Each part on a line of its own, in order, the last with the report that CI reads.
    command = next(line for line in "\n".join(blocks("sh")).splitlines() if "pytest" in line)
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    *parts, tests = command.split(" && ")
    at = lines.index(parts[0])
    assert lines[at : at + len(parts) + 1] == [*parts, f'{tests} --junit-xml "$work/tests.xml"']


def test_the_brief_in_the_readme_is_a_brief():
    document = tomllib.loads(blocks("toml")[0])
    brief = Brief.from_dict(document)
    assert set(document) == brief.model_fields_set
    # It shows every table that a brief can have.
    assert set(document) == set(Brief.model_fields)


def test_the_shell_steps_of_the_readme_run(tmp_path, monkeypatch, capsys):
    from optimizer.operations.demo import season_folder

    monkeypatch.chdir(tmp_path)
    (tmp_path / "season").symlink_to(season_folder())
    steps = [b for b in blocks("sh") if b.startswith("highside init")]
    for step in steps[0].strip().splitlines():
        command, _, target = step.split("#")[0].strip().partition(" > ")
        words = shlex.split(command)
        words = [w for word in words for w in (sorted(map(str, tmp_path.glob(word))) or [word])]
        if words[1] == "load":
            # The season's own site file knows its material columns and decks.
            (tmp_path / "site.toml").write_bytes((tmp_path / "season/site.toml").read_bytes())
        monkeypatch.setattr(sys, "argv", words)
        with pytest.raises(SystemExit) as stop:
            cli.run()
        out, err = capsys.readouterr()
        assert not stop.value.code, (step, err)
        if target:
            (tmp_path / target).write_text(out, encoding="utf-8")


def test_the_python_block_of_the_readme_runs(tmp_path, monkeypatch, capsys):
    from optimizer.operations.demo import run_demo

    monkeypatch.chdir(tmp_path)
    run_demo("highside-demo")
    for block in blocks("python"):
        exec(compile(block, "README.md", "exec"), {})
    assert "feed_rate" in capsys.readouterr().out


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    from optimizer.operations.demo import run_demo

    return run_demo(tmp_path_factory.mktemp("demo"))


def test_the_plan_shown_in_the_readme_is_the_demo_s(demo):
    from cli.show import plan as show

    shown = next(b for b in blocks("") if "Run now" in b)
    made = show.plan(demo.plan.as_dict())
    assert shown.strip() == made.strip()


def test_the_comparison_shown_in_the_readme_is_the_demo_s(demo, monkeypatch, capsys):
    monkeypatch.chdir(demo.folder)
    command = re.search(r"`(highside compare [^`]*)` asks every line", README).group(1)
    monkeypatch.setattr(sys, "argv", shlex.split(command))
    with pytest.raises(SystemExit):
        cli.run()
    said = capsys.readouterr().out.splitlines()
    shown = next(b for b in blocks("") if "attainable %" in b).splitlines()
    assert [line for line in shown if line and line not in said] == []


def test_every_module_opens_with_what_it_is_for():
    for path in [*ROOT.glob("optimizer/**/*.py"), *ROOT.glob("cli/**/*.py")]:
        text = path.read_text(encoding="utf-8")
        assert text.startswith('"""'), path
