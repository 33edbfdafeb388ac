"""The README's way from a folder of exports to a study, gone as a newcomer would, to the letter."""

import re
import shlex
from pathlib import Path

import pytest

from outcomes.command.main import main

README = Path(__file__).parents[2] / "README.md"
TITLE = "## From a folder of exports to a study in ten minutes"
MARK = re.compile(r"""([=\[,]\s*["'])\?""")


def guide():
    return README.read_text(encoding="utf-8").split(TITLE)[1].split("\n## ")[0]


def steps():
    """Return every command of the guide with the output that the guide shows, "" where none."""
    blocks = re.findall(r"```\n(\$ .*?)```", guide(), re.DOTALL)
    told = [part.partition("\n") for block in blocks for part in block.split("$ ") if part.strip()]
    return [(command, output.strip()) for command, _, output in told]


def run(command, capsys):
    status = main(shlex.split(command)[1:])
    capture = capsys.readouterr()
    return status, re.sub(r"version [0-9a-f]{32}", "version VERSION", capture.out).strip()


def confirmed(text):
    """Agree to every guess, and write the words that the guide tells."""
    text = MARK.sub(r"\1", text)
    for code, word in re.findall(r'(\d+) (?:is )?"([a-z ]+)"', guide()):
        text = text.replace(f'\n{code} = "choose"', f'\n{code} = "{word}"')
    return "\n".join(line for line in text.splitlines() if '= "choose"' not in line)


def test_the_guide_ends_with_a_study_and_shows_what_the_commands_say(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (invent, _), (draft, drafted), (intake, taken_in) = steps()
    assert run(invent, capsys)[0] == 0
    assert run(draft, capsys) == (0, drafted)
    path = Path("clinic/exports/sources.toml")
    text = path.read_text(encoding="utf-8")
    shown = re.search(r"```toml\n(.*?)```", guide(), re.DOTALL)
    assert shown is not None
    assert shown[1] in text
    assert run(intake, capsys)[0] == 2  # guesses are open
    path.write_text(confirmed(text), encoding="utf-8")
    assert run(intake, capsys) == (0, taken_in)


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)]+)\)", guide()))
def test_what_the_guide_links_to_is_there(link):
    assert (README.parent / link).is_file()
