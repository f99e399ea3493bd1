"""The command line: arguments in, one library call, text and exit status out.

Exit status: 0 done; 2 the command line, a site file or a profile is wrong; 3 an input could not
be read or was mostly rejected. `--help` imports nothing heavy, so that it answers at once.
"""

import argparse
import difflib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from loganalyzer.errors import AnalyzerError, UsageError, one_line

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
    try:
        options = parser().parse_args(arguments)
        from loganalyzer.commands import COMMANDS  # heavy: `--help` does without it

        status = COMMANDS[options.run](options)
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


def parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    top = _Parser(
        prog="loganalyzer",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for add in (
        _add_inspect, _add_import, _add_summary, _add_audit, _add_waiting, _add_indices,
        _add_suspects, _add_streams, _add_containers, _add_pickups, _add_export, _add_serve,
        _add_demo,
    ):  # fmt: skip
        add(commands)
    return top


class _Parser(argparse.ArgumentParser):
    """Says a wrong command line in one line, with the nearest word where there is one."""

    def error(self, message: str) -> NoReturn:
        word = (
            message.split("invalid choice: ")[-1].split("'")[1]
            if "invalid choice" in message
            else ""
        )
        near = difflib.get_close_matches(word, WORDS, 1)
        hint = f" Did you mean '{near[0]}'?" if near else f" See {self.prog} --help."
        print(f"{self.prog}: {one_line(message)}.{hint}", file=sys.stderr)
        raise SystemExit(UsageError.exit_status)


WORDS = (
    "inspect", "import", "summary", "waiting", "indices", "audit", "streams", "containers",
    "pickups", "suspects", "export", "serve", "demo",
)  # fmt: skip
Commands = Any  # argparse names the type of its subparsers only privately


def _add_inspect(commands: Commands) -> None:
    command = commands.add_parser(
        "inspect",
        help="can these files be read, and by which profile?",
        description="Says which profile reads a file, how much of it, its first events and what "
        "was not understood. Keeps nothing.",
    )
    command.add_argument(
        "paths",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="exports; .gz, .zip, .zst and folders are read as they are",
    )
    command.add_argument(
        "--site",
        type=Path,
        metavar="SITE.toml",
        help="the site file whose floors, streams and profiles to try",
    )
    command.add_argument("--profile", metavar="NAME-OR-FILE", help="try this profile only")
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="inspect")


def _add_import(commands: Commands) -> None:
    command = commands.add_parser(
        "import",
        help="take exports into a store",
        description="Reads exports and keeps them, originals included. The same export twice, "
        "overlapping exports and any order give the same history.",
    )
    command.add_argument(
        "paths",
        nargs="*",
        type=Path,
        metavar="PATH",
        help="exports or folders of them; .gz, .zip, .zst are read as they are",
    )
    command.add_argument(
        "--store",
        type=Path,
        required=True,
        metavar="DIR",
        help="the folder that keeps everything; made if it is not there",
    )
    command.add_argument(
        "--site", type=Path, metavar="SITE.toml", help="the site file: zone, chutes, floors, limits"
    )
    command.add_argument(
        "--chute",
        metavar="ID",
        help="the chute these exports come from, where the files do not tell",
    )
    command.add_argument(
        "--profile",
        metavar="NAME-OR-FILE",
        help="read with this profile, whatever the site file says",
    )
    command.add_argument(
        "--undo",
        metavar="SOURCE",
        help="take one export out again: its SHA-256 or the beginning of it, or its name",
    )
    command.add_argument(
        "--again",
        action="store_true",
        help="read the kept originals again, after a site or profile file was changed",
    )
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="import")


def _add_summary(commands: Commands) -> None:
    command = commands.add_parser(
        "summary",
        help="the findings in plain words",
        description="Prints what the logs show, for the manager, the technician and the "
        "coordinator.",
    )
    _add_selection(command)
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="summary")


def _add_audit(commands: Commands) -> None:
    command = commands.add_parser(
        "audit",
        help="did the controller keep its own safety rules?",
        description="Prints how often the log put each rule to the test, how often it shows it "
        "broken, and the lines. A log is no inspection: nothing here is evidence that an "
        "interlock works.",
    )
    _add_selection(command)
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="audit")


def _add_waiting(commands: Commands) -> None:
    command = commands.add_parser(
        "waiting",
        help="how long people wait, what for, and with another clearing time",
        description="Prints how long people wait for an open door and what for, who gave up and "
        "why they were refused, and how busy each chute is against Erlang's formula.",
    )
    _add_selection(command)
    command.add_argument(
        "--clearing",
        type=float,
        metavar="S",
        help="play the logged visits again with this clearing time, in seconds",
    )
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="waiting")


def _add_indices(commands: Commands) -> None:
    command = commands.add_parser(
        "indices",
        help="how often and how long units were without their door",
        description="Prints interruptions and minutes per unit, minutes per interruption and "
        "availability, by cause and month, after the definitions of IEEE 1366.",
    )
    _add_selection(command)
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="indices")


def _add_suspects(commands: Commands) -> None:
    command = commands.add_parser(
        "suspects",
        help="which part is failing, where, since when, and what to check first",
        description="Prints the parts that show signs of failing, the strongest first, with what "
        "speaks against each and what to look at first. A log is no inspection.",
    )
    _add_selection(command)
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="suspects")


def _add_streams(commands: Commands) -> None:
    command = commands.add_parser(
        "streams",
        help="how people sort: participation by floor, lost sorting, diversion by month",
        description="Prints uses by stream and floor, set-out and participation carried over to "
        "floors, the effect of campaigns, uses lost to sorting, and diversion by month.",
    )
    _add_selection(command)
    _add_tickets(command)
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="streams")


def _add_containers(commands: Commands) -> None:
    command = commands.add_parser(
        "containers",
        help="how containers fill: uses to full, hours full, false full signals",
        description="Prints each container's fills, uses to full and litres a use.",
    )
    _add_selection(command)
    _add_tickets(command)
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="containers")


def _add_pickups(commands: Commands) -> None:
    command = commands.add_parser(
        "pickups",
        help="when containers will be full, and what another pickup rule would change",
        description="Prints the chance that each container is full before its next pickup, under "
        "the present rule and the best others with no more pickups; the chance of full by each "
        "coming day; and how well such chances came true in the log.",
    )
    _add_selection(command)
    command.add_argument(
        "--on",
        metavar="T",
        help="forecast from this date or time on, in the site's time (default: the log's end)",
    )
    command.add_argument("--json", action="store_true", help="print one JSON document")
    command.set_defaults(run="pickups")


def _add_tickets(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--tickets",
        type=Path,
        metavar="FILE.csv",
        help="weigh tickets with the columns date, stream, kg",
    )


def _add_export(commands: Commands) -> None:
    command = commands.add_parser(
        "export",
        help="write a table to a file",
        description="Writes a table; the ending picks the format: .parquet, .csv, .jsonl, .xlsx.",
    )
    command.add_argument(
        "table",
        metavar="TABLE",
        help="timeline, intervals, cycles, visits, incidents, floors, coverage, imports or rejects",
    )
    command.add_argument(
        "--out",
        type=Path,
        required=True,
        metavar="FILE",
        help="the file to write; an older one is replaced",
    )
    _add_selection(command)
    _add_tickets(command)
    command.set_defaults(run="export")


def _add_serve(commands: Commands) -> None:
    command = commands.add_parser(
        "serve",
        help="show the dashboard in a browser",
        description="Serves the dashboard of a store on this machine.",
    )
    command.add_argument(
        "--store", type=Path, required=True, metavar="DIR", help="the folder that import made"
    )
    _add_address(command)
    command.set_defaults(run="serve")


def _add_demo(commands: Commands) -> None:
    command = commands.add_parser(
        "demo",
        help="a tour on the sample logs",
        description="Imports the sample logs, prints the findings and serves the dashboard.",
    )
    command.add_argument(
        "--store",
        type=Path,
        default=Path("demo-store"),
        metavar="DIR",
        help="where to keep them (default: demo-store)",
    )
    command.add_argument("--no-serve", action="store_true", help="stop after the findings")
    _add_address(command)
    command.set_defaults(run="demo")


def _add_selection(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--store", type=Path, required=True, metavar="DIR", help="the folder that import made"
    )
    command.add_argument("--site", metavar="ID", help="only this site")
    command.add_argument("--chute", metavar="ID", help="only this chute")
    command.add_argument(
        "--from",
        dest="start",
        metavar="T",
        help="from this date or time on, in the site's time: 2026-10-01 or 2026-10-01T07:30",
    )
    command.add_argument(
        "--to", dest="end", metavar="T", help="up to this time; a date counts whole"
    )


def _add_address(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="H",
        help="address to listen on (default: this machine only)",
    )
    command.add_argument(
        "--port", type=int, default=8050, metavar="P", help="port to listen on (default: 8050)"
    )


if __name__ == "__main__":
    sys.exit(main())
