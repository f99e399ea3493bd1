"""Exports of controllers nobody has a profile for: invented wordings in invented layouts.

Built on what the simulator says truly happened, and sharing nothing with the code that drafts
profiles, its word lists included. `DIALECTS` holds them; drafting was written with
those at even places, and measured with the others before they mended it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from tests.tools.dialects import held
from tests.tools.dialects import writers as w
from tests.tools.dialects.lines import Line, Manner, lines
from tests.tools.dialects.wordings import COLUMNS
from tests.tools.simulator import (
    Fault,
    Misuse,
    Plan,
    PowerCut,
    Service,
    Truth,
    plain_chute,
    simulate,
)


@dataclass(frozen=True)
class Dialect:
    """One controller.

    Attributes:
        name: What it is.
        manner: How it words what it logs.
        write: Lines to an export.
        house: Which building (see `truth`).
        codes: Whether its texts are meaningless.
    """

    name: str
    manner: Manner
    write: Callable[[Sequence[Line]], w.Written]
    house: int = 0
    codes: bool = False

    def export(self) -> w.Written:
        """An export of some weeks."""
        return self.write(lines(truth(self.house), self.manner))


NEW_YEAR = datetime(2026, 1, 1)  # noqa: DTZ001 - a plan's dates are local
ZONES = ("Europe/Lisbon", "Europe/Berlin", "America/New_York")


@cache
def truth(house: int) -> Truth:
    """What happened in a building, 16 days in which a little of everything goes wrong."""
    zone = ZONES[house]

    def at(day: int, hour: int) -> datetime:
        return Plan("", "", zone, NEW_YEAR, NEW_YEAR, ()).utc(
            NEW_YEAR.replace(month=2, day=day, hour=hour)
        )

    chute = plain_chute(
        floors=7 + 2 * house,
        faults=(
            Fault("slow_diverter", "sorter", start=at(6, 0), ramp_days=6, strength=2.0),
            Fault("stiff_latch", "latch", floor="2", start=at(6, 0), ramp_days=6, strength=1.5),
            Fault("propped_door", "door", floor="3", start=at(4, 0), ramp_days=4, strength=1.0),
        ),
        misuse=(Misuse("4", 0.15),),
        services=(Service(at(10, 9), 5400), Service(at(14, 10), 7200)),
        cuts=(PowerCut(at(8, 13), 1500), PowerCut(at(12, 3), 900)),
        clock_sets="daily",
        drift_s_a_day=1.4,
        tick_ms=100,
    )
    begin = NEW_YEAR.replace(month=2, day=2)
    plan = Plan("tower", "Tower", zone, begin, begin.replace(day=18), (chute,), seed=70 + house)
    return simulate(plan)


def _stamp(form: str) -> w.Stamp:
    return lambda line: line.at.strftime(form)


def _iso(line: Line) -> str:
    return line.at.isoformat(sep=" ", timespec="milliseconds")


def _epoch(line: Line) -> object:
    return round(line.utc.timestamp() * 1000)


def _two(floor: str) -> str:
    return floor.zfill(2) if floor.isdigit() else floor


def _named(ground: str, form: str = "{}") -> Callable[[str], str]:
    return lambda floor: ground if floor == "G" else form.format(floor)


def _numbered(form: str) -> Callable[[str], str]:
    return lambda floor: form.format(0 if floor == "G" else int(floor))


PLAIN, DOOR2 = str, _numbered("D{:02}")
FULL = "{text} {at} {of} {code} {value}"

DIALECTS: tuple[Dialect, ...] = (
    Dialect(
        "en semicolons",
        Manner("en-1", "en", "en", PLAIN),
        lambda r: w.delimited(r, _stamp("%d/%m/%Y %H:%M:%S"), ";", COLUMNS["en"], "tfserv"),
    ),
    Dialect(
        "en commas, no header",
        Manner("en-2", "en-b", "en", DOOR2),
        lambda r: w.delimited(r, _iso, ",", None, "nkftesrv", quote=True),
        1,
    ),
    Dialect(
        "de semicolons",
        Manner("de-1", "de", "de", _named("EG")),
        lambda r: w.delimited(
            r,
            _stamp("%d.%m.%Y %H:%M:%S"),
            ";",
            "Datum|Uhrzeit|Etage|Fraktion|Meldung|Grund|Wert",
            "dcfserv",
            decimal=",",
            encoding="cp1252",
            preamble=("Protokoll Anlage", ""),
        ),
        1,
    ),
    Dialect(
        "de tabs",
        Manner("de-2", "de", "de", _two),
        lambda r: w.delimited(
            r, _stamp("%d.%m.%y %H:%M:%S"), "\t", COLUMNS["de"], "tfserv", decimal=","
        ),
        2,
    ),
    Dialect(
        "fr semicolons",
        Manner("fr-1", "fr", "fr", _named("RDC")),
        lambda r: w.delimited(
            r, _stamp("%d/%m/%Y %H:%M:%S"), ";", COLUMNS["fr"], "tfserv", decimal=","
        ),
        0,
    ),
    Dialect(
        "fr bars",
        Manner("fr-2", "fr", "fr", _numbered("N{:02}")),
        lambda r: w.delimited(r, _stamp("%d-%m-%Y %Hh%M:%S"), "|", None, "nfestrv"),
        1,
    ),
    Dialect(
        "es quotes",
        Manner("es-1", "es", "es", _named("PB")),
        lambda r: w.delimited(
            r, _stamp("%d/%m/%Y %H:%M:%S"), ",", COLUMNS["es"], "tfserv", quote=True
        ),
        1,
    ),
    Dialect(
        "es tabs",
        Manner("es-2", "es", "es", _two),
        lambda r: w.delimited(r, _stamp("%d-%m-%Y %H:%M:%S"), "\t", None, "efsrtv"),
        2,
    ),
    Dialect(
        "pt semicolons",
        Manner("pt-1", "pt", "pt", _named("RC")),
        lambda r: w.delimited(r, _stamp("%Y/%m/%d %H:%M:%S"), ";", COLUMNS["pt"], "tfserv"),
        0,
    ),
    Dialect(
        "pt bars",
        Manner("pt-2", "pt", "pt", _numbered("P{}")),
        lambda r: w.delimited(r, _stamp("%d/%m/%y %H:%M:%S"), "|", COLUMNS["pt"], "tfserv"),
        1,
    ),
    Dialect(
        "en month first",
        Manner("en-3", "en", "en", PLAIN),
        lambda r: w.delimited(r, _stamp("%m/%d/%Y %I:%M:%S %p"), ",", COLUMNS["en"], "tfserv"),
        2,
    ),
    Dialect(
        "en json",
        Manner("en-1", "en", "en", _numbered("door-{:02}"), utc=True),
        lambda r: w.objects(r, _epoch, ("ts", "door", "material", "what", "why", "n"), True),
    ),
    Dialect(
        "de json",
        Manner("de-1", "de", "de", _named("EG", "{}. OG")),
        lambda r: w.objects(
            r,
            lambda line: line.at.isoformat(),
            ("zeit", "ort", "stoff", "meldung", "grund", "wert"),
            False,
        ),
        1,
    ),
    Dialect(
        "en syslog",
        Manner("en-2", "en", "en", DOOR2),
        lambda r: w.syslog_3164(r, "", "{at} {text} {of} {code} {value}"),
    ),
    Dialect(
        "fr syslog",
        Manner("fr-1", "fr", "fr", DOOR2, utc=True),
        lambda r: w.syslog_5424(r, ("porte", "flux", "motif", "valeur")),
        1,
    ),
    Dialect(
        "en brackets",
        Manner("en-1", "en", "en", _two),
        lambda r: w.free_lines(r, _iso, "Door ", FULL, "[{stamp}] {text}", pages=True),
    ),
    Dialect(
        "de lines",
        Manner("de-2", "de", "de", _named("EG", "{}")),
        lambda r: w.free_lines(
            r,
            _stamp("%d.%m.%Y %H:%M:%S"),
            "Etage ",
            "{at} {text} {of} {code} {value}",
            "{stamp} {text}",
        ),
        1,
    ),
    Dialect(
        "fr lines",
        Manner("fr-2", "fr", "fr", _numbered("{}")),
        lambda r: w.free_lines(
            r,
            _stamp("%d/%m/%Y %H:%M:%S"),
            "PORTE ",
            "{text} - {at} {of} {code} {value}",
            "{number} {stamp} : {text}",
        ),
        0,
    ),
    Dialect(
        "es lines",
        Manner("es-1", "es", "es", _numbered("P{:02}")),
        lambda r: w.free_lines(
            r,
            _stamp("%Y-%m-%d %H:%M:%S"),
            "",
            "{at} {text} {of} {code} {value}",
            "{stamp} INFO {text}",
            encoding="cp1252",
        ),
        1,
    ),
    Dialect(
        "pt lines",
        Manner("pt-1", "pt", "pt", _numbered("{}")),
        lambda r: w.free_lines(r, _stamp("%d-%m-%Y, %H:%M:%S"), "Piso ", FULL, "({stamp}) {text}"),
        2,
    ),
    Dialect(
        "en fixed",
        Manner("en-3", "digits", "codes", _numbered("{:03}")),
        lambda r: w.fixed(r, _stamp("%Y-%m-%d %H:%M:%S"), (20, 4, 3, 20, 4, 9)),
        1,
    ),
    Dialect(
        "pt fixed",
        Manner("pt-2", "pt", "pt", _two),
        lambda r: w.fixed(r, _stamp("%d.%m.%Y %H:%M:%S"), (20, 4, 16, 24, 12, 9)),
        2,
    ),
    Dialect(
        "es sheet",
        Manner("es-2", "es", "es", _named("PB")),
        lambda r: w.sheet(r, COLUMNS["es"], "Registro"),
        0,
    ),
    Dialect(
        "de sheet",
        Manner("de-1", "de", "de", _numbered("Etage {}")),
        lambda r: w.sheet(r, COLUMNS["de"], "Protokoll"),
        1,
    ),
    Dialect(
        "en scans",
        Manner("en-1", "en", "en", _two),
        lambda r: w.scans(
            r,
            _iso,
            {
                "press": "BTN_{floor}_{stream}",
                "positioning": "DIVERTER_MOVING",
                "unlocked": "LATCH_{floor}_OPEN",
                "open": "DOOR_{floor}",
                "clearing": "CLEARING",
                "lockout": "LOCKOUT_{floor}",
                "full": "FULL_{stream}",
                "service": "SERVICE",
            },
            ",",
            "1",
            "0",
            3,
        ),
    ),
    Dialect(
        "de scans",
        Manner("de-1", "de", "de", _two),
        lambda r: w.scans(
            r,
            _stamp("%d.%m.%Y %H:%M:%S"),
            {
                "press": "Taster {floor} {stream}",
                "positioning": "Weiche läuft",
                "unlocked": "Riegel {floor} frei",
                "open": "Tür {floor} offen",
                "clearing": "Fallzeit",
                "lockout": "Sperre {floor}",
                "full": "Behälter voll {stream}",
                "service": "Wartung",
                "refusal": "Abgewiesen {floor}",
            },
            ";",
            "EIN".replace("EIN", "1"),
            "0",
            4,
        ),
        1,
    ),
    Dialect(
        "codes, commas",
        Manner("codes", "digits", "codes", _two, seed=11),
        lambda r: w.delimited(r, _iso, ",", COLUMNS["codes"], "tfserv"),
        0,
        True,
    ),
    Dialect(
        "codes, semicolons",
        Manner("codes", "codes", "codes", DOOR2, seed=12),
        lambda r: w.delimited(r, _stamp("%d.%m.%Y %H:%M:%S"), ";", None, "nftesrv", decimal=","),
        1,
        True,
    ),
    Dialect(
        "codes, number and state",
        Manner("pairs", "digits", "codes", _two, seed=13),
        lambda r: w.delimited(r, _stamp("%Y%m%d %H%M%S"), ";", "d|c|p|q|m|z|r|v", "dcfs12rv"),
        1,
        True,
    ),
    Dialect(
        "codes, lines",
        Manner("codes", "codes", "codes", DOOR2, seed=14),
        lambda r: w.free_lines(
            r, _stamp("%d/%m/%Y %H:%M:%S"), "", "{text} {at} {of} {code} {value}", "{stamp} {text}"
        ),
        2,
        True,
    ),
    Dialect(
        "codes, json",
        Manner("hex", "digits", "codes", _two, seed=15, utc=True),
        lambda r: w.objects(r, _epoch, ("t", "p", "q", "m", "r", "v"), False),
        0,
        True,
    ),
    Dialect(
        "codes, fixed",
        Manner("codes", "digits", "codes", _numbered("{:02}"), seed=16),
        lambda r: w.fixed(r, _stamp("%Y-%m-%d %H:%M:%S"), (20, 3, 3, 6, 4, 9)),
        2,
        True,
    ),
    Dialect(
        "codes, no refusals",
        Manner("codes", "digits", "codes", _two, ("refusal mark", "alive mark"), seed=17),
        lambda r: w.delimited(r, _iso, "\t", COLUMNS["codes"], "tfserv"),
        1,
        True,
    ),
    Dialect(
        "codes, no presses",
        Manner("hex", "digits", "codes", _two, ("refusal mark", "press mark"), seed=18),
        lambda r: w.delimited(r, _iso, "|", COLUMNS["codes"], "tfserv"),
        0,
        True,
    ),
    Dialect(
        "codes, sheet",
        Manner("codes", "codes", "codes", _two, seed=19),
        lambda r: w.sheet(r, COLUMNS["codes"], "0"),
        0,
        True,
    ),
    Dialect(
        "codes, syslog",
        Manner("hex", "codes", "codes", DOOR2, seed=20, utc=True),
        lambda r: w.syslog_5424(r, ("p", "q", "r", "v")),
        2,
        True,
    ),
    # Written last, when drafting stood, and measured once.
    Dialect(
        "late: en lines",
        Manner("en-4", "en-b", "en", _two),
        lambda r: w.free_lines(
            r,
            _stamp("%d %b %Y %H:%M:%S"),
            "landing ",
            "{at}: {text} {of} {code} {value}",
            "{stamp} | {text}",
        ),
        0,
    ),
    Dialect(
        "late: en commas",
        Manner("en-4", "en", "en", _numbered("L{:02}")),
        lambda r: w.delimited(
            r,
            _stamp("%Y-%m-%d %H:%M:%S"),
            ",",
            "when,where,what,stuff,more,figure".replace(",", "|"),
            "tfesrv",
        ),
        2,
    ),
    Dialect(
        "late: de json",
        Manner("de-3", "de", "de", _named("EG")),
        lambda r: w.objects(
            r,
            lambda line: line.at.strftime("%d.%m.%Y %H:%M:%S"),
            ("t", "stockwerk", "material", "text", "code", "zahl"),
            True,
        ),
        2,
    ),
    Dialect(
        "late: de fixed",
        Manner("de-3", "de", "de", _two),
        lambda r: w.fixed(r, _stamp("%d.%m.%Y %H:%M:%S"), (20, 4, 14, 36, 10, 9)),
        1,
    ),
    Dialect(
        "late: fr sheet",
        Manner("fr-3", "fr", "fr", _named("RDC")),
        lambda r: w.sheet(r, COLUMNS["fr"], "Journal"),
        0,
    ),
    Dialect(
        "late: fr syslog",
        Manner("fr-3", "fr", "fr", _two),
        lambda r: w.syslog_3164(r, "palier ", "{text} {at} {of} {code} {value}"),
        1,
    ),
    Dialect(
        "late: codes, words first",
        Manner("codes", "codes", "codes", _two, seed=31),
        lambda r: w.delimited(r, _stamp("%d.%m.%Y %H:%M:%S"), ";", None, "enrsftv"),
        2,
        True,
    ),
    Dialect(
        "late: codes, pairs in json",
        Manner("pairs", "codes", "codes", DOOR2, seed=32),
        lambda r: w.objects(r, _iso, ("t", "p", "q", "m", "r", "v"), True),
        1,
        True,
    ),
    # Written in a second round, each with a trait that drafting had not been tried on.
    Dialect(
        "held: en uptime",
        Manner("en-7", "en", "en", _two),
        lambda r: held.uptimes(r, "[{up}] {text} @{floor} {stream} {code} {value}"),
    ),
    Dialect(
        "held: de month names",
        Manner("de-4", "de", "de", _named("EG")),
        lambda r: w.free_lines(
            r,
            held.month_stamp("de", "%d. {month} %Y %H:%M:%S"),
            "Geschoss ",
            "{text} {at} {of} {code} {value}",
            "{stamp} {text}",
        ),
        1,
    ),
    Dialect(
        "held: fr month names",
        Manner("fr-4", "fr", "fr", _numbered("{:02}")),
        lambda r: w.delimited(
            r, held.month_stamp("fr", "%d {month} %Y %H:%M:%S"), ";", COLUMNS["fr"], "tfserv"
        ),
        2,
    ),
    Dialect(
        "held: es second sheet",
        Manner("es-3", "es", "es", _named("PB")),
        lambda r: held.second_sheet(r, COLUMNS["es"]),
    ),
    Dialect(
        "held: pt thing and state",
        Manner("pt-3", "pt", "pt", _named("RC")),
        lambda r: held.things(r, _stamp("%d/%m/%Y %H:%M:%S")),
        1,
    ),
    Dialect(
        "held: en tags and states",
        Manner("en-5", "en", "en", _two),
        lambda r: held.tags(r, _iso, ",", "stamp,tag,state,stream,detail,figure"),
        2,
    ),
    Dialect(
        "held: en sentences",
        Manner("en-6", "en", "en", _numbered("{}")),
        lambda r: held.told(r, _stamp("%Y/%m/%d %H:%M:%S")),
    ),
    Dialect(
        "held: de keys and values",
        Manner("de-4", "de", "de", _two, utc=True),
        lambda r: held.pairs_of_keys(r, lambda line: f"{line.at:%Y-%m-%dT%H:%M:%S}Z"),
        1,
    ),
    Dialect(
        "held: codes, floor glued on",
        Manner("numbers", "codes", "codes", _numbered("{:02}"), seed=41),
        lambda r: held.glued(r, _stamp("%d.%m.%Y %H:%M:%S")),
        2,
        True,
    ),
    Dialect(
        "held: codes, newest first",
        Manner("hex", "digits", "codes", _two, seed=42, utc=True),
        lambda r: held.newest_first(r, lambda line: int(line.utc.timestamp()), ";"),
        0,
        True,
    ),
    Dialect(
        "held: fi words, unknown",
        Manner("fi", "codes", "codes", _two),
        lambda r: w.delimited(r, _stamp("%d.%m.%Y %H:%M:%S"), ";", None, "tfserv"),
        1,
        True,
    ),
    Dialect(
        "held: codes, uptime",
        Manner("codes", "codes", "codes", DOOR2, seed=43),
        lambda r: held.uptimes(r, "{up} {text} {floor} {stream} {code} {value}"),
        2,
        True,
    ),
)
