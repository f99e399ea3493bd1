"""The command line: arguments in, one library call, text and exit status out.

Exit status: 0 done; 2 the command line, a site file or a profile is wrong; 3 an input could not
be read or was mostly rejected. `--help` imports nothing heavy, so that it answers at once.
"""

import argparse
import difflib
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from typing import NoReturn

from loganalyzer.errors import AnalyzerError, UsageError, one_line
from loganalyzer.terminal import harmless_output
from loganalyzer.words import COMMANDS

DESCRIPTION = """\
Reads what the controllers of waste chutes export and tells what happened at every door:
who waited, which door stayed open, what failed, when containers were full.
"""
EPILOG = """\
Start here:
  loganalyzer demo                                      a tour on the sample logs
  loganalyzer inspect week36.csv                        can this file be read?
  loganalyzer import *.csv --store logs --site my.toml  keep it and rebuild the history
  loganalyzer summary --store logs                      the findings in plain words

Exit status: 0 done; 2 the command line, a site file or a profile is wrong;
3 an input could not be read or was mostly rejected (the rest is still imported).
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        arguments: The words after `loganalyzer`; null takes those of the process.

    Returns:
        The exit status.
    """
    with harmless_output():
        return _run(arguments)


def _run(arguments: Sequence[str] | None) -> int:
    try:
        options = parser().parse_args(arguments)
        status = runner(options.run)(options)
        sys.stdout.flush()
        return status
    except AnalyzerError as error:
        print(str(error), file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        print("Stopped. What had landed is kept.", file=sys.stderr)
        return 130
    except BrokenPipeError:  # the reader of our output has seen enough, as in `… | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if os.environ.get("LOGANALYZER_DEBUG"):
            raise
        print(
            f"A mistake in the program, not in your files: {type(error).__name__}: "
            f"{one_line(str(error))}. Set LOGANALYZER_DEBUG=1, run it again, report what it says.",
            file=sys.stderr,
        )
        return 1


def runner(runs: str) -> Callable[[argparse.Namespace], int]:
    """The function behind `module:function`; its module is loaded only now, as some are heavy."""
    module, name = runs.split(":")
    found: Callable[[argparse.Namespace], int] = getattr(
        importlib.import_module(f"loganalyzer.commands.{module}"), name
    )
    return found


def parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    top = _Parser(
        prog="loganalyzer",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for word, command in COMMANDS.items():
        added = commands.add_parser(word, help=command.help, description=command.description)
        for each in command.options:
            added.add_argument(*each.names, **each.keywords)
        added.set_defaults(run=command.runs)
    return top


class _Parser(argparse.ArgumentParser):
    """Says a wrong command line in one line, with the nearest word where there is one."""

    def error(self, message: str) -> NoReturn:
        word = (
            message.split("invalid choice: ")[-1].split("'")[1]
            if "invalid choice" in message
            else ""
        )
        near = difflib.get_close_matches(word, COMMANDS, 1)
        hint = f" Did you mean '{near[0]}'?" if near else f" See {self.prog} --help."
        print(f"{self.prog}: {one_line(message)}.{hint}", file=sys.stderr)
        raise SystemExit(UsageError.exit_status)


if __name__ == "__main__":
    sys.exit(main())
