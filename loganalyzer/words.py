"""The commands as data: what each is called, what it takes, and which function runs it.

A new command is one entry of `COMMANDS` and one function in `commands/`. Nothing heavy is
imported here, so that `--help` answers at once.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Option:
    """One argument of a command: its names, and the keywords that argparse takes for it."""

    names: tuple[str, ...]
    keywords: dict[str, Any]


@dataclass(frozen=True)
class Command:
    """One command.

    Attributes:
        help: A few words for the list of commands.
        description: What it does, in full sentences.
        runs: `module:function` in `loganalyzer.commands`; the function takes the parsed
            arguments and returns the exit status.
        options: Its arguments, in the order in which `--help` shows them.
    """

    help: str
    description: str
    runs: str
    options: tuple[Option, ...]


def option(*names: str, **keywords: Any) -> Option:
    """An argument, written as for `argparse.ArgumentParser.add_argument`."""
    return Option(names, keywords)


def file(name: str, metavar: str, said: str, **keywords: Any) -> Option:
    """An argument that names a file or folder."""
    return option(name, type=Path, metavar=metavar, help=said, **keywords)


STORE = file("--store", "DIR", "the folder that import made", required=True)
SITE_FILE = file("--site", "SITE.toml", "the site file: zone, chutes, floors, limits")
JSON = option("--json", action="store_true", help="print one JSON document")
PERIOD = (
    option("--from", dest="start", metavar="T",
           help="from this date or time on, in the site's time: 2026-10-01 or 2026-10-01T07:30"),
    option("--to", dest="end", metavar="T", help="up to this time; a date counts whole"),
)  # fmt: skip
SELECTION = (
    STORE,
    option("--site", metavar="ID", help="only this site"),
    option("--chute", metavar="ID", help="only this chute"),
    *PERIOD,
)
SPREAD = (
    option("--workers", type=int, metavar="N",
           help="processes of this machine that share the work (default: 1)"),
    option("--cluster", metavar="ADDRESS", help="a Dask cluster that shares the work: "
           "tcp://HOST:PORT of its scheduler, or local or local:N to start one here; all of it "
           "must see the same files under the same names"),
)  # fmt: skip
TICKETS = file("--tickets", "FILE.csv", "weigh tickets with the columns date, stream, kg")
ADDRESS = (
    option("--host", default="127.0.0.1", metavar="H",
           help="address to listen on (default: this machine only)"),
    option("--port", type=int, default=8050, metavar="P",
           help="port to listen on (default: 8050)"),
)  # fmt: skip
SIGN_IN = (
    file("--accounts", "FILE", "the accounts that may sign in, as loganalyzer account makes them"),
    option("--https", action="store_true", help="browsers come by https, through a web server "
           "before the dashboard"),
    option("--trust-header", metavar="NAME", help="the header in which a proxy names the account, "
           "in place of passwords"),
    option("--proxy", metavar="ADDRESS", nargs="+", default=[],
           help="the addresses of proxies whose word is taken for who asks, and from where"),
)  # fmt: skip

COMMANDS = {
    "inspect": Command(
        "can these files be read, and by which profile?",
        "Says which profile reads a file, how much of it, its first events and what was not "
        "understood. Keeps nothing.",
        "taking:inspect_files",
        (
            file("paths", "FILE", "exports; .gz, .zip, .zst and folders are read as they are",
                 nargs="+"),
            file("--site", "SITE.toml",
                 "the site file whose floors, streams and profiles to try"),
            option("--profile", metavar="NAME-OR-FILE", help="try this profile only"),
            JSON,
        ),
    ),
    "draft": Command(
        "a first profile for files that no profile reads",
        "Works out how files are written and what their texts mean, by words and by behaviour, "
        "and writes a profile that says how sure it is of what, with questions beside the rest.",
        "drafting:draft_profile",
        (
            file("paths", "FILE", "exports of one controller; packed ones are read as they are",
                 nargs="+"),
            file("--site", "SITE.toml", "the site file whose floors and streams to look for",
                 required=True),
            file("--out", "PROFILE.toml", "the profile file to write", required=True),
            option("--force", action="store_true", help="replace a file that is there already"),
            option("--answer", action="append", default=[], metavar="KEY=VALUE",
                   help="what you know better than the draft; keys stand in --json"),
            JSON,
        ),
    ),
    "import": Command(
        "take exports into a store",
        "Reads exports and keeps them, originals included. The same export twice, overlapping "
        "exports and any order give the same history.",
        "taking:import_files",
        (
            file("paths", "PATH",
                 "exports or folders of them; .gz, .zip, .zst are read as they are", nargs="*"),
            file("--store", "DIR", "the folder that keeps everything; made if it is not there",
                 required=True),
            SITE_FILE,
            option("--chute", metavar="ID",
                   help="the chute these exports come from, where the files do not tell"),
            option("--profile", metavar="NAME-OR-FILE",
                   help="read with this profile, whatever the site file says"),
            option("--undo", metavar="SOURCE", help="take one export out again: its SHA-256 or "
                   "the beginning of it, or its name"),
            option("--again", action="store_true", help="read the kept originals again, after a "
                   "site or profile file was changed"),
            *SPREAD,
            JSON,
        ),
    ),
    "watch": Command(
        "import what arrives in a folder, until stopped",
        "Looks into a folder again and again and imports each file once it stands still. Nothing "
        "in the folder is moved or changed; after a restart nothing is lost or taken twice.",
        "watching:watch_folder",
        (
            file("folder", "FOLDER", "where exports arrive; folders in it count too"),
            file("--store", "DIR", "the folder that keeps everything; made if it is not there",
                 required=True),
            file("--site", "SITE.toml", "the site file; read anew for each import",
                 required=True),
            option("--chute", metavar="ID",
                   help="the chute these exports come from, where the files do not tell"),
            option("--profile", metavar="NAME-OR-FILE",
                   help="read with this profile, whatever the site file says"),
            option("--every", type=float, default=10.0, metavar="S",
                   help="seconds between two looks (default: 10)"),
            option("--still", type=float, default=15.0, metavar="S",
                   help="seconds that a file must stand still (default: 15)"),
            file("--log", "FILE", "where to write what happened (default: DIR.watch.log beside "
                 "the store)"),
        ),
    ),
    "summary": Command(
        "the findings in plain words",
        "Prints what the logs show, for the manager, the technician and the coordinator.",
        "telling:summarise",
        (*SELECTION, JSON),
    ),
    "waiting": Command(
        "how long people wait, what for, and with another clearing time",
        "Prints how long people wait for an open door and what for, who gave up and why they "
        "were refused, and how busy each chute is against Erlang's formula.",
        "telling:tell_waiting",
        (
            *SELECTION,
            option("--clearing", type=float, metavar="S",
                   help="play the logged visits again with this clearing time, in seconds"),
            JSON,
        ),
    ),
    "replay": Command(
        "what waiting, refusals and lockouts would be under other settings",
        "Plays the logged visits again through a model of the controller under other settings, "
        "with intervals, and checks the model against what was logged. A clearing time under free "
        "fall, and whatever would loosen an interlock, is refused.",
        "telling:replay_settings",
        (
            *SELECTION,
            option("--set", dest="settings", action="append", required=True, metavar="NAME=VALUE",
                   help="clearing_s, press_limit, press_window_s or quiet_s; may be given again"),
            JSON,
        ),
    ),
    "indices": Command(
        "how often and how long units were without their door",
        "Prints interruptions and minutes per unit, minutes per interruption and availability, "
        "by cause and month, after the definitions of IEEE 1366.",
        "telling:tell_indices",
        (*SELECTION, JSON),
    ),
    "audit": Command(
        "did the controller keep its own safety rules?",
        "Prints how often the log put each rule to the test, how often it shows it broken, and "
        "the lines. A log is no inspection: nothing here is evidence that an interlock works.",
        "telling:audit_rules",
        (*SELECTION, JSON),
    ),
    "suspects": Command(
        "which part is failing, where, since when, and what to check first",
        "Prints the parts that show signs of failing, the strongest first, with what speaks "
        "against each and what to look at first. A log is no inspection.",
        "telling:name_suspects",
        (*SELECTION, JSON),
    ),
    "effects": Command(
        "what worked: repairs and campaigns before and after, against the other floors",
        "Judges each [[work]] and [[campaign]] of the site file: before and after with an exact "
        "ratio, the other doors or chutes as the control, what luck alone would bring, and when "
        "to look again where it is too early to tell.",
        "telling:tell_effects",
        (*SELECTION, JSON),
    ),
    "portfolio": Command(
        "many buildings side by side: the worst ten, what fails alike, the technician's round",
        "Prints the worst ten of everything over all sites of a store with the reason, doors that "
        "fail alike, each building against those like it, and an ordered round for the week.",
        "telling:compare_buildings",
        (
            STORE,
            option("--site", metavar="ID", help="compare only this one with its like"),
            *PERIOD,
            JSON,
        ),
    ),
    "streams": Command(
        "how people sort: participation by floor, lost sorting, diversion by month",
        "Prints uses by stream and floor, set-out and participation carried over to floors, the "
        "effect of campaigns, uses lost to sorting, and diversion by month.",
        "telling:tell_streams",
        (*SELECTION, TICKETS, JSON),
    ),
    "containers": Command(
        "how containers fill: uses to full, hours full, false full signals",
        "Prints each container's fills, uses to full and litres a use.",
        "telling:tell_containers",
        (*SELECTION, TICKETS, JSON),
    ),
    "pickups": Command(
        "when containers will be full, and what another pickup rule would change",
        "Prints the chance that each container is full before its next pickup, under the present "
        "rule and the best others with no more pickups; the chance of full by each coming day; "
        "and how well such chances came true in the log.",
        "telling:tell_pickups",
        (
            *SELECTION,
            option("--on", metavar="T", help="forecast from this date or time on, in the site's "
                   "time (default: the log's end)"),
            JSON,
        ),
    ),
    "export": Command(
        "write a table to a file",
        "Writes a table; the ending picks the format: .parquet, .csv, .jsonl, .xlsx.",
        "giving:export_table",
        (
            option("table", metavar="TABLE", help="timeline, intervals, cycles, visits, "
                   "incidents, floors, coverage, imports, rejects or another one of the README"),
            file("--out", "FILE", "the file to write; an older one is replaced", required=True),
            option("--without-floors", metavar="LABEL,…", help="leave out these floors"),
            option("--round-times", metavar="STEP",
                   help="round times down to whole steps of 15min, 1h, …, in UTC"),
            *SELECTION,
            TICKETS,
        ),
    ),
    "analyze": Command(
        "work out beforehand what is asked of many sites",
        "Works out the roll-ups, findings and standings of every site whose log changed, and keeps "
        "them in the store, where summary, portfolio and the dashboard read them. They may be "
        "taken away at any time.",
        "analysing:analyse_store",
        (
            STORE,
            option("--site", metavar="ID", help="only this site"),
            option("--workers", type=int, metavar="N",
                   help="so many processes of this machine (default: its cores)"),
            SPREAD[1],
            JSON,
        ),
    ),
    "check": Command(
        "is the store whole? rebuild what can be rebuilt",
        "Compares every file with its checksum, accounts for every line, reads the originals "
        "again and compares what they give with the tables. Exit status 3 if it is not whole.",
        "keeping:check_store",
        (
            STORE,
            option("--repair", action="store_true",
                   help="rebuild from the originals what can be rebuilt, and say what cannot"),
            option("--quick", action="store_true",
                   help="files, checksums and counts only; do not read the originals again"),
            JSON,
        ),
    ),
    "retain": Command(
        "remove what is older than may be kept; monthly sums stay",
        "Says which originals and events are older than may be kept; with --yes removes them, for "
        "good. Monthly sums of what they held stay.",
        "keeping:retain_store",
        (
            STORE,
            option("--keep", metavar="DAYS", required=True,
                   help="how long to keep the detail, such as 400d"),
            option("--site", metavar="ID", help="only this site"),
            option("--yes", action="store_true", help="do it; else it is only said"),
            JSON,
        ),
    ),
    "upgrade": Command(
        "bring a store of an earlier version to this version's format",
        "Writes what changed beside what is there, then switches. An import does it by itself.",
        "keeping:upgrade_store",
        (
            STORE,
            option("--back", action="store_true",
                   help="switch back to the store as it was before its last upgrade"),
            option("--yes", action="store_true",
                   help="go back though exports taken in since are lost then"),
            JSON,
        ),
    ),
    "report": Command(
        "a month on paper: HTML and PDF of one to four pages",
        "Writes a month of one site for one reader, in the site's language, with charts, what the "
        "log covers and cannot show, and the lines behind each claim.",
        "reporting:write_report",
        (
            option("who", choices=("manager", "technician", "coordinator"),
                   help="whose report: the property manager's, the service technician's or the "
                   "recycling coordinator's"),
            STORE,
            option("--site", metavar="ID", help="the site (default: the store's only one)"),
            option("--month", metavar="YYYY-MM",
                   help="the month, as 2026-10 (default: the one in which the log ends)"),
            file("--out", "FILE", "a file that ends in .html or .pdf, or a folder for both "
                 "(default: here)", default=Path()),
        ),
    ),
    "evidence": Command(
        "all about one incident, in a zip that can be checked",
        "Writes a zip: a page for somebody who was not there, the incident and the tables around "
        "it, the original lines with file names and SHA-256, and the SHA-256 of every file in it.",
        "reporting:pack_evidence",
        (
            option("incident", metavar="INCIDENT",
                   help="its name, as the dashboard, a report or export incidents shows it"),
            STORE,
            file("--out", "FILE.zip", "the file to write (default: its name, here)"),
        ),
    ),
    "tell": Command(
        "send the messages that the site's rules ask for",
        "Sends fresh incidents and the weekly digest by e-mail and to web addresses, as the site "
        "file's [[alert]] and [[digest]] tables say; each once. What could not be sent is tried "
        "again the next time. `watch` does the same after each import.",
        "alerting:tell_people",
        (
            STORE,
            option("--site", metavar="ID", help="only this site"),
            option("--dry-run", action="store_true", help="show the messages and send none"),
            JSON,
        ),
    ),
    "serve": Command(
        "show the dashboard in a browser",
        "Serves the dashboard of a store. On an address that others can reach it asks everybody "
        "to sign in, and refuses to start without accounts.",
        "showing:serve_dashboard",
        (STORE, *ADDRESS, *SIGN_IN),
    ),
    "account": Command(
        "who may look at which sites in the dashboard",
        "Adds, changes, takes away or lists the accounts of a file. A password is typed, or "
        "read from standard input; it is never an argument.",
        "accounts:change_accounts",
        (
            option("action", choices=("add", "remove", "password", "list"),
                   help="add (or change the rights of one), remove, give another password, list"),
            option("name", nargs="?", metavar="NAME", help="the account"),
            file("--accounts", "FILE", "the file of accounts; add makes it if it is not there",
                 required=True),
            option("--sites", nargs="+", metavar="ID", help="add: the sites it may see"),
            option("--all-sites", action="store_true", help="add: it may see every site"),
            option("--upload", action="store_true",
                   help="add: it may also take exports in at its sites"),
            option("--no-password", action="store_true",
                   help="add: only a trusted proxy may name it"),
        ),
    ),
    "demo": Command(
        "a tour on the sample logs",
        "Imports the sample logs, prints the findings and serves the dashboard.",
        "showing:show_demo",
        (
            file("--store", "DIR", "where to keep them (default: demo-store)",
                 default=Path("demo-store")),
            option("--no-serve", action="store_true", help="stop after the findings"),
            *ADDRESS,
        ),
    ),
}  # fmt: skip
