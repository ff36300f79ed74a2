"""Our habits, executable: format, lint, types, layers and documentation are tests."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import typer

ROOT = Path(__file__).resolve().parent.parent


def run(*command: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_lint_is_clean() -> None:
    run("ruff", "check", ".")


def test_format_is_clean() -> None:
    run("ruff", "format", "--check", ".")


def test_types_are_clean() -> None:
    run("mypy")


def test_imports_point_one_way() -> None:
    done = subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def commands() -> dict[str, typer.models.CommandInfo]:
    from loupebook.cli.main import app

    found = {}
    for info in app.registered_commands:
        assert info.callback is not None
        found[info.name or info.callback.__name__] = info
    return found


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_has_help_and_stands_in_the_readme(name: str) -> None:
    callback = commands()[name].callback
    assert callback is not None
    assert callback.__doc__
    assert f"loupebook {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_every_error_stands_in_the_drawn_tree() -> None:
    from loupebook import errors

    assert errors.__doc__ is not None
    for name, value in vars(errors).items():
        if isinstance(value, type) and issubclass(value, errors.LoupebookError):
            assert name in errors.__doc__, f"{name} is missing in the drawn tree"


def test_top_level_holds_only_what_the_design_names() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if tracked.returncode != 0:
        pytest.skip("not a git checkout, so what is tracked cannot be told")
    allowed = {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
        "src", "app", "reference_sets", "tests", "models",
    }  # fmt: skip
    tops = {line.split("/", 1)[0] for line in tracked.stdout.splitlines()}
    assert {top for top in tops if not top.startswith(".")} <= allowed
