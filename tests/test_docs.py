"""What README.md and DEVELOPERS.md say is held against the program."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.settings import load_shelf

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", README, flags=re.DOTALL)

MODULE_AND_NAME = re.compile(r"(?:\w+/)*([a-z]\w+)\.([A-Za-z_]\w+)")


def commands_shown() -> list[str]:
    lines = [line for kind, block in BLOCKS if kind == "sh" for line in block.splitlines()]
    return [line.split(" #")[0].strip() for line in lines if line.startswith("siccast ")]


@pytest.mark.parametrize("line", commands_shown())
def test_every_command_in_the_readme_exists_with_its_options(line: str) -> None:
    words = shlex.split(line.split("\\", maxsplit=1)[0])[1:]
    group = typer.main.get_command(app)
    context = typer.Context(group, info_name="siccast")
    while words:
        word = words.pop(0)
        if word.startswith("-"):
            known = {name for parameter in group.params for name in parameter.opts}
            assert word in known, f"{word} is no option of {context.command_path}"
            words = words[1:]
        elif hasattr(group, "get_command"):
            inner = group.get_command(context, word)
            assert inner is not None, f"{word} is no command of {context.command_path}"
            group, context = inner, typer.Context(inner, info_name=word, parent=context)


def shelf_shown(folder: Path) -> Path:
    """Make the shelf of the README, with everything that it says may be added."""
    shelf_text = "\n".join(block for kind, block in BLOCKS if kind == "toml")
    (folder / "shelf.toml").write_text(shelf_text, encoding="utf-8")
    for secret in ("mqtt.secret", "influx.secret", "mail.secret"):
        (folder / secret).write_text("hush")
        (folder / secret).chmod(0o600)
    return folder


def test_what_is_logged_and_recharged_in_the_readme_can_be_so_word_for_word(tmp_path: Path) -> None:
    shelf = shelf_shown(tmp_path)
    events = [line for line in commands_shown() if line.split()[1] in {"log", "lot", "charge", "recharge"}]
    assert len(events) >= 9
    for line in events:
        done = CliRunner().invoke(app, ["--shelf", str(shelf), *shlex.split(line)[1:]])
        assert done.exit_code == 0, f"{line}: {done.output}"


def test_shelf_file_in_the_readme_is_a_valid_one(tmp_path: Path) -> None:
    shelf = load_shelf(shelf_shown(tmp_path), environment={})
    assert [box.name for box in shelf.boxes] == ["left-top"]
    assert len(shelf.feeds) == 2
    assert shelf.commit_every_s == 60.0
    assert shelf.influx
    assert shelf.influx.bucket == "boxes"
    assert [(route.name, route.without_secret) for route in shelf.routes] == [("mail", ""), ("house", ""), ("hook", "")]


def test_readme_opens_with_the_job_then_two_commands_then_the_picture() -> None:
    paragraph, first, second, picture = (
        README.index(mark) for mark in ("You print with filament", "siccast demo\n", ".venv/bin/pytest\n", "![")
    )
    assert paragraph < first < second < picture


def test_files_that_the_documents_point_at_exist() -> None:
    pointed = [
        (name, target)
        for name in ("README.md", "DEVELOPERS.md")
        for target in re.findall(r"\]\((?!https?:)([^)#]+)\)", (ROOT / name).read_text(encoding="utf-8"))
    ]
    assert ("README.md", "firmware_notes/README.md") in pointed
    assert not [(name, target) for name, target in pointed if not (ROOT / target).exists()]


def path_of_ours(path: str, known: Path) -> bool:
    return str(known).endswith((f"/{path}", f"/{path}.py"))


def test_modules_and_names_in_developers_exist() -> None:
    """A path is that of a file or folder; the name in `module.name` stands in a module of that name."""
    there = [path for folder in ("monitor", "tests", "dashboards", ".ci") for path in (ROOT / folder).rglob("*")]
    spoken_of = set(re.findall(r"(?<!`)`([\w./-]+)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")))
    paths = {name.rstrip("/") for name in spoken_of if re.search(r"\w\.(py|pyx|pxd|csv|js)$|\w/\w+$", name)}
    assert len(paths) > 50
    assert not {path for path in paths if not any(path_of_ours(path, known) for known in there)}

    for module, name in (match.groups() for match in map(MODULE_AND_NAME.fullmatch, spoken_of - paths) if match):
        sources = [path for path in there if path.name == f"{module}.py" and "monitor" in path.parts]
        if sources:
            assert any(name in source.read_text(encoding="utf-8") for source in sources), f"{module}.{name}"


def test_every_helper_of_tests_is_in_developers() -> None:
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    helpers = {path.stem for path in (ROOT / "tests").glob("*.py") if not path.stem.startswith("test_")}
    told = set(re.findall(r"`(\w+)`", developers.split("## Helpers of tests")[1].split("\n## ")[0]))
    assert told == helpers


@pytest.mark.parametrize("name", [command.name for command in typer.main.get_command(app).commands.values()])
def test_every_command_helps(name: str) -> None:
    shown = CliRunner().invoke(app, [name, "--help"])
    assert shown.exit_code == 0
    assert shown.output.startswith(("Usage", "\nUsage"))


def test_a_wrong_word_is_wrong_usage() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli.app", "frobnicate"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "frobnicate" in done.stderr
