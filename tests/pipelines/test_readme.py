"""What the README tells people to type exists, with those options."""

import re
import shlex
from pathlib import Path

import pytest
import typer

from pipelines.cli import app

ROOT = Path(__file__).resolve().parents[2]
COMMAND = typer.main.get_command(app)
DOCUMENTS = ("README.md", "DEVELOPERS.md")


def told_commands():
    """Return every `liftledger ...` line of fenced blocks: document, words."""
    told = []
    for name in DOCUMENTS:
        path = ROOT / name
        text = path.read_text(encoding="utf-8") if path.is_file() else ""
        for block in re.findall(r"^```[^\n]*\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE):
            for line in block.replace("\\\n", " ").splitlines():
                match = re.match(r"\s*(?:\$ )?(liftledger(?: .*)?)$", line)
                if match:
                    told.append((name, shlex.split(match[1], comments=True)))
    return told


TOLD = told_commands()


@pytest.mark.parametrize(("document", "words"), TOLD, ids=[" ".join(words)[:70] for _, words in TOLD])
def test_a_told_command_exists_with_its_options(document, words):
    if len(words) == 1 or words[1] in ("--help", "-h"):
        return
    assert words[1] in COMMAND.commands, f"{document}: there is no verb '{words[1]}'"
    verb = COMMAND.commands[words[1]]
    known = {"--help", "-h"}
    takes_value, n_arguments = {}, 0
    for parameter in verb.params:
        if parameter.param_type_name == "argument":
            n_arguments += 1
        else:
            names = [*parameter.opts, *parameter.secondary_opts]
            known.update(names)
            takes_value.update(dict.fromkeys(names, not parameter.is_flag))
    rest, arguments = words[2:], []
    while rest:
        word = rest.pop(0)
        if word in (">", "|", ">>"):
            break
        if word.startswith("-"):
            option = word.split("=")[0]
            assert option in known, f"{document}: `liftledger {words[1]}` has no option {option}"
            if "=" not in word and takes_value.get(option):
                assert rest, f"{document}: {option} needs a value"
                rest.pop(0)
        else:
            arguments.append(word)
    assert len(arguments) <= n_arguments, f"{document}: `{' '.join(words)}` has an argument too many"


def test_every_verb_is_told_of_in_the_readme():
    told = {words[1] for name, words in TOLD if name == "README.md" and len(words) > 1}
    missing = sorted(set(COMMAND.commands) - told)
    assert not missing, f"README.md shows no example of: {', '.join(missing)}"
