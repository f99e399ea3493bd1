"""README and DEVELOPERS.md say what the program does: every command, status and module."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import loganalyzer
from loganalyzer.cli import parser, runner
from loganalyzer.profile import shipped_profiles
from loganalyzer.tables import TABLES
from loganalyzer.words import COMMANDS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_readme_describes_every_command_and_no_other():
    told = set(re.findall(r"^\| `loganalyzer (\w+)", README, re.MULTILINE))
    assert told == set(COMMANDS)


def test_every_command_has_help(capsys):
    for word, command in COMMANDS.items():
        assert callable(runner(command.runs))
        with pytest.raises(SystemExit) as stop:
            parser().parse_args([word, "--help"])
        assert stop.value.code == 0
        assert word in capsys.readouterr().out


def test_readme_describes_every_exit_status():
    assert set(re.findall(r"^\| (\d) \|", README, re.MULTILINE)) == {"0", "2", "3"}


def test_readme_names_every_profile_that_ships_and_every_table():
    for name in shipped_profiles():
        assert f"`{name}`" in README
    for name in TABLES:
        assert f"`{name}`" in README


def test_readme_has_no_gap_left_open():
    assert not re.findall(r"^(INSPECT|SUMMARY|COMMANDS|PROFILES)$", README, re.MULTILINE)


def test_the_developers_guide_names_every_module():
    for path in sorted((ROOT / "loganalyzer").rglob("*.py")):
        name = path.parent.name if path.name == "__init__.py" else path.stem
        assert re.search(rf"\b{name}\b", DEVELOPERS), path


def test_help_starts_without_anything_heavy():
    """Imports decide how fast `--help` answers, so they are what is checked."""
    heavy = "('pandas', 'pyarrow', 'numpy', 'pydantic', 'dash')"
    code = f"import sys, loganalyzer.cli; print([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_the_public_names_are_there():
    assert all(getattr(loganalyzer, name) is not None for name in loganalyzer.__all__)
