"""Every verb has help with an example that can be run, help is quick, and the scheduler stays away from this path."""

import json
import re
import resource
import shlex
import subprocess
import sys

import pytest
import typer

from pipelines.cli import app, main

COMMAND = typer.main.get_command(app)
VERBS = sorted(COMMAND.commands)


def options_of(verb):
    """Return every option name and the number of positional arguments of a verb."""
    names = {"--help", "-h"}
    for parameter in COMMAND.commands[verb].params:
        if parameter.param_type_name == "option":
            names.update(parameter.opts, parameter.secondary_opts)
    return names


def examples_of(verb):
    """Return the example lines of a verb's help, free of markup."""
    epilog = COMMAND.commands[verb].epilog or ""
    return [shlex.split(line) for line in re.findall(r"\[bold\](liftledger .*?)\[/bold\]", epilog)]


def test_the_verbs_of_the_job_are_there():
    assert {"demo", "check", "start", "run", "ingest", "diagnose", "publish", "letters", "findings", "account",
            "explain", "score"} <= set(VERBS)


@pytest.mark.parametrize("verb", VERBS)
def test_help_of_each_verb_ends_with_an_example_of_that_verb(verb, capsys):
    with pytest.raises(SystemExit) as left:
        main([verb, "--help"])
    assert left.value.code == 0
    assert "Example" in capsys.readouterr().out
    examples = examples_of(verb)
    assert examples
    for words in examples:
        assert words[:2] == ["liftledger", verb]
        unknown = {word for word in words if word.startswith("--")} - options_of(verb)
        assert not unknown


@pytest.mark.parametrize("verb", VERBS)
def test_every_argument_and_option_says_what_it_is(verb):
    for parameter in COMMAND.commands[verb].params:
        assert parameter.help, f"{verb}: {parameter.name} has no help"


def test_help_takes_less_than_two_seconds_and_imports_nothing_heavy():
    code = ("import sys, json\nfrom pipelines.cli import main\n"
            "try:\n    main(['run', '--help'])\nexcept SystemExit:\n    pass\n"
            "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})), file=sys.stderr)")
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime      # a busy machine must not count
    loaded = set(json.loads(done.stderr.splitlines()[-1]))
    assert not loaded & {"prefect", "pandas", "numpy", "pvlib", "scipy", "duckdb", "plotly", "sklearn", "matplotlib"}
    assert took < 2.0


def test_all_stages_can_be_imported_without_the_scheduler():
    code = ("import sys, pkgutil, importlib, pipelines.stages, pipelines.cli\n"
            "for room in (pipelines.stages, pipelines.cli):\n"
            "    for module in pkgutil.iter_modules(room.__path__, room.__name__ + '.'):\n"
            "        importlib.import_module(module.name)\n"
            "sys.exit('prefect' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_no_verb_shows_the_list_of_verbs(capsys):
    with pytest.raises(SystemExit):
        main([])
    assert "demo" in capsys.readouterr().out
