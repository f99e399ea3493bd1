"""Many people at the dashboard while exports land: how long answers take, what goes wrong.

    python -m tests.soak.load --minutes 10 --browsers 50

The server is the command `loganalyzer serve` in a process of its own, imports are the command
`loganalyzer import`, again and again, in others. Browsers are threads here: they send what the
pages send, with the state that the pages hold, and think in between. In the middle the server is
stopped and started again, and every browser goes on by itself, as `assets/page.js` does. Prints
errors, times of answers and memory; its exit status is 1 where an aim is missed.
"""

import argparse
import http.client
import json
import random
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import brotli
import psutil

from loganalyzer.site import load_site
from loganalyzer.store import Store
from tests.exports import Log, take, write

SAMPLES = Path(__file__).parents[2] / "sample_logs"
AIM_S, AIM_MB = 0.5, 30  # 95 % of answers; growth of memory over half of the run
THINK_S = (2.0, 10.0)  # between two things that somebody does at a page
PATIENCE_S = 120  # for browsers to go on after the restart, however slow the machine is
PULSE_S = 20.0  # how often an open page asks whether the store changed
PAGES = ("", "waiting", "audit", "sorting", "faults", "data", "incidents", "strip")
GROWING = """
[site]
id = "growing"
name = "Growing"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
"""
YEAR = GROWING.replace("growing", "year").replace("Growing", "A year")


@dataclass
class Seen:
    """What the browsers saw, together."""

    times: dict[str, list[float]] = field(default_factory=dict)
    errors: Counter[str] = field(default_factory=Counter)
    recovered: dict[int, float] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def took(self, what: str, seconds: float) -> None:
        with self.lock:
            self.times.setdefault(what, []).append(seconds)

    def wrong(self, what: str) -> None:
        with self.lock:
            self.errors[what] += 1

    def every(self) -> list[float]:
        return sorted(one for times in self.times.values() for one in times)


@dataclass
class Run:
    """What came of it: seconds, counts, MB."""

    seen: Seen
    browsers: int
    imports: int
    failed_imports: int
    rss: list[tuple[float, float]]
    restarted_s: float
    busy_s: float
    said: Counter[str]

    def grown_mb(self) -> float:
        """How much memory grew over the second half: medians of its first and last quarter."""
        ends = self.rss[-1][0]
        half = [mb for when, mb in self.rss if when >= ends / 2]
        quarter = max(1, len(half) // 4)
        return statistics.median(half[-quarter:]) - statistics.median(half[:quarter])

    def text(self) -> str:
        every = self.seen.every()
        lines = [
            f"{self.browsers} browsers, {len(every):,} answers, {self.imports} imports landed",
            f"errors: {sum(self.seen.errors.values())} {dict(self.seen.errors) or ''}",
            f"imports that failed: {self.failed_imports}",
        ]
        for what, times in [*sorted(self.seen.times.items()), ("all", every)]:
            ms = [f"p{p} {1000 * quantile(sorted(times), p / 100):,.0f}" for p in (50, 95, 99)]
            lines.append(f"{what:>8}: {len(times):6,} answers, ms: {', '.join(ms)}")
        mb = [f"{mb:,.0f}" for _, mb in (self.rss[0], self.rss[len(self.rss) // 2], self.rss[-1])]
        lines += [
            f"memory of the server, MB: {' -> '.join(mb)}; grown over the second half: "
            f"{self.grown_mb():+.0f}",
            f"processor time of the server: {1000 * self.busy_s / max(1, len(every)):.0f} ms an "
            "answer, analyses of what landed included",
            f"restart: back after {self.restarted_s:.1f} s, {len(self.seen.recovered)} of "
            f"{self.browsers} browsers went on by themselves, the last "
            f"{max(self.seen.recovered.values(), default=0):.1f} s after that",
        ]
        lines += [f"the server said {n} times: {said}" for said, n in self.said.most_common(5)]
        return "\n".join(lines)

    def missed(self) -> list[str]:
        """The aims that were missed."""
        p95 = quantile(self.seen.every(), 0.95)
        wrong = {
            "errors": bool(self.seen.errors) or self.failed_imports > 0,
            f"p95 {1000 * p95:.0f} ms": p95 > AIM_S,
            f"memory {self.grown_mb():+.0f} MB": self.grown_mb() > AIM_MB,
            "browsers that did not recover": len(self.seen.recovered) < self.browsers,
        }
        return [what for what, is_so in wrong.items() if is_so]


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--minutes", type=float, default=10)
    asked.add_argument("--browsers", type=int, default=50)
    asked.add_argument("--lines", type=int, default=500_000, help="of a building-year beside")
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sites = building_year(folder, given.lines) if given.lines else []
        sites += samples(folder)
        run = soak(folder, 60 * given.minutes, given.browsers, sites, given.seed)
    print(run.text())
    missed = run.missed()
    print("missed: " + ", ".join(missed) if missed else "every aim is met")
    return 1 if missed else 0


def soak(folder: Path, seconds: float, browsers: int, sites: Sequence[str], seed: int) -> Run:
    """Let them look for so long.

    Args:
        folder: Holds the store with the sites; the growing one is added here.
        seconds: How long.
        browsers: How many.
        sites: Ids of the sites that people look at, besides the growing one.
        seed: Of what people do.
    """
    exports = daily_exports(folder)
    next_export = iter(exports)
    import_one(folder, next(next_export))
    port, seen, stop = free_port(), Seen(), threading.Event()
    server, rss, imports = Server(folder, port), [], Counter[str]()
    with server:
        begun = time.monotonic()
        people = [
            threading.Thread(target=Browser(n, port, [*sites, "growing"], seen, stop, seed).live)
            for n in range(browsers)
        ]
        importer = threading.Thread(target=keep_importing,
                                    args=(folder, next_export, stop, imports))  # fmt: skip
        for one in [*people, importer]:
            one.start()
        restarted_s = None
        while (now := time.monotonic() - begun) < seconds or (
            len(seen.recovered) < browsers and now < seconds + PATIENCE_S
        ):
            time.sleep(min(1.0, seconds / 20))
            if restarted_s is None and now > seconds / 3:
                restarted_s = server.restart()
                seen.recovered.clear()
                RESTARTED.set()
            if now > 5 or not rss:
                rss.append((now, server.mb()))
        stop.set()
        for one in [*people, importer]:
            one.join()
        busy_s = server.busy_s()
        RESTARTED.clear()
    return Run(seen, browsers, imports["landed"], imports["failed"], rss, restarted_s or 0,
               busy_s, mistakes(folder / "server.log"))  # fmt: skip


def mistakes(log: Path) -> Counter[str]:
    """The last line of each traceback that the server wrote."""
    lines = log.read_text("utf-8", "replace").splitlines()
    return Counter(line[:200] for line in lines if re.match(r"[\w.]*(Error|Exception)\b", line))


RESTARTED = threading.Event()


class Server:
    """`loganalyzer serve` in a process of its own."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port, self.before_s = folder, port, 0.0

    def __enter__(self) -> "Server":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait()

    def start(self) -> None:
        with (self.folder / "server.log").open("ab") as log:
            self.process = subprocess.Popen(
            [sys.executable, "-m", "loganalyzer.cli", "serve", "--store",
             str(self.folder / "store"), "--port", str(self.port)],
            stdout=log, stderr=log,
        )  # fmt: skip
        until(lambda: alive(self.port), 120)

    def busy_s(self) -> float:
        """Processor time, of the one before the restart too."""
        used = psutil.Process(self.process.pid).cpu_times()
        return float(self.before_s + used.user + used.system)

    def restart(self) -> float:
        begun = time.monotonic()
        self.before_s = self.busy_s()
        self.process.kill()
        self.process.wait()
        self.start()
        return time.monotonic() - begun

    def mb(self) -> float:
        return float(psutil.Process(self.process.pid).memory_info().rss / 1e6)


class Browser:
    """Somebody at the dashboard."""

    def __init__(
        self, number: int, port: int, sites: Sequence[str], seen: Seen, stop: threading.Event,
        seed: int,
    ) -> None:  # fmt: skip
        self.number, self.port, self.sites, self.seen, self.stop = number, port, sites, seen, stop
        self.random = random.Random(1000 * seed + number)
        self.connection: http.client.HTTPConnection | None = None
        self.scheme = self.random.choice(("light", "light", "dark"))
        self.shown: Any = None

    def live(self) -> None:
        """Look, think, go on, until it is time to stop."""
        self.stop.wait(self.random.uniform(0, THINK_S[1]))
        try:
            self.callbacks = self.first_page()
            while not self.stop.is_set():
                self.look()
                for _ in range(self.random.randint(1, 4)):
                    self.think()
                    if self.stop.is_set():
                        break
                    self.random.choice((self.choose_chute, self.choose_period, self.pulse))()
        except Exception as error:
            self.seen.wrong(f"browser stopped: {type(error).__name__}: {error}")
        if self.connection is not None:
            self.connection.close()

    def first_page(self) -> dict[str, dict[str, Any]]:
        self.ask("GET", "/", "page")
        self.ask("GET", "/_dash-layout", "page")
        known = json.loads(self.ask("GET", "/_dash-dependencies", "page"))
        return {one["output"]: one for one in known}

    def look(self) -> None:
        """Go to a page of a site."""
        self.site, self.page = self.random.choice(self.sites), self.random.choice(PAGES)
        self.search = self.random.choice(("", "", "?chute=A"))
        self.shown = None
        self.call("content.children", "layout", changed="address.pathname")
        self.draw("scheme.data")

    def choose_chute(self) -> None:
        self.search = "?chute=A" if "chute" not in self.search else ""
        self.draw("address.search")

    def choose_period(self) -> None:
        """One of the few periods that people mean: it stays the same for all of them."""
        self.search = self.random.choice(("?from=2026-10-05&to=2026-10-11", "?from=2026-10-01", ""))
        self.draw("address.search")

    def pulse(self) -> None:
        """The page asks by itself; where something is new, somebody wants to see it."""
        said = self.call("news.children", "pulse", changed="pulse.n_intervals")
        if said and '"hidden":false' in json.dumps(said, separators=(",", ":")):
            self.draw("refresh.n_clicks")

    def draw(self, changed: str) -> None:
        said = self.call("answers.children", "answers", changed=changed)
        if said is None:
            return
        self.shown = said["response"].get("shown", {}).get("data", self.shown)
        if "could not be worked out" in json.dumps(said):
            self.seen.wrong(f"page {self.page!r} of {self.site} {self.search} could not be drawn")

    def think(self) -> None:
        ends = time.monotonic() + self.random.uniform(*THINK_S)
        while (left := ends - time.monotonic()) > 0 and not self.stop.is_set():
            self.stop.wait(min(left, PULSE_S))
            if self.random.random() < THINK_S[1] / 2 / PULSE_S and self.shown:
                self.call("news.children", "pulse", changed="pulse.n_intervals")

    def call(self, output: str, what: str, changed: str) -> Any:
        """One callback, with the state that the page holds."""
        (one,) = [each for each in self.callbacks.values() if output in each["output"]
                  and "@" not in each["output"]]  # fmt: skip
        names = one["output"].strip(".").split("...")
        outputs = [dict(zip(("id", "property"), name.rsplit(".", 1), strict=True))
                   for name in names]  # fmt: skip
        body = {
            "output": one["output"],
            "outputs": outputs if one["output"].startswith("..") else outputs[0],
            "inputs": [{**each, "value": self.value(each)} for each in one["inputs"]],
            "state": [{**each, "value": self.value(each)} for each in one["state"]],
            "changedPropIds": [changed],
        }
        answer = self.ask("POST", "/_dash-update-component", what, json.dumps(body))
        return json.loads(answer) if answer else None

    def value(self, each: dict[str, Any]) -> Any:
        known = {
            "address.pathname": f"/site/{self.site}/{self.page}".rstrip("/"),
            "address.search": self.search, "scheme.data": self.scheme, "site.data": self.site,
            "page.data": self.page, "shown.data": self.shown, "refresh.n_clicks": 1,
            "pulse.n_intervals": 1,
        }  # fmt: skip
        return known.get(f"{each['id']}.{each['property']}")

    def ask(self, method: str, path: str, what: str, body: str | None = None) -> bytes:
        """Send it; while the server is away, wait until it is back and send it again."""
        headers = {
            "Accept-Encoding": "br", "Content-Type": "application/json",
            "Sec-Fetch-Site": "same-origin",
        }  # fmt: skip
        while True:
            begun, after_restart = time.monotonic(), RESTARTED.is_set()
            try:
                if self.connection is None:
                    self.connection = http.client.HTTPConnection("127.0.0.1", self.port, 120)
                self.connection.request(method, path, body, headers)
                answer = self.connection.getresponse()
                content = answer.read()
            except (OSError, http.client.HTTPException):
                if self.connection is not None:
                    self.connection.close()
                self.connection = None
                until(lambda: alive(self.port) or self.stop.is_set(), 120)
                continue
            break
        self.seen.took(what, time.monotonic() - begun)
        if answer.status not in (200, 204):
            self.seen.wrong(f"{what}: {answer.status} {content[:80]!r}")
            return b""
        if after_restart:
            with self.seen.lock:
                self.seen.recovered.setdefault(self.number, time.monotonic() - begun)
        coded = answer.headers.get("Content-Encoding") == "br"
        return bytes(brotli.decompress(content)) if coded else content


def keep_importing(
    folder: Path, exports: Iterator[Path], stop: threading.Event, count: Counter[str]
) -> None:
    """One export after another, each by a command of its own."""
    for export in exports:
        if stop.wait(2):
            return
        count["landed" if import_one(folder, export) else "failed"] += 1


def import_one(folder: Path, export: Path) -> bool:
    (folder / "growing.toml").write_text(GROWING, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "loganalyzer.cli", "import", str(export), "--store",
         str(folder / "store"), "--site", str(folder / "growing.toml")],
        capture_output=True, check=False,
    )  # fmt: skip
    return done.returncode == 0


def daily_exports(folder: Path, days: int = 400) -> list[Path]:
    """A day each of a small building."""
    return [write(folder / "days" / f"{day:03}.csv", one_day(day)) for day in range(days)]


def one_day(day: int) -> list[str]:
    log = Log(f"{2025 + day // 336}-{1 + day // 28 % 12:02}-{1 + day % 28:02} 06:00:00")
    chance = random.Random(day)
    for _ in range(60):
        door = str(chance.randint(1, 9))
        log.event(chance.uniform(60, 900), door, "BUTTON")
        log.event(3, door, "LATCH RELEASED")
        log.event(chance.uniform(1, 5), door, "DOOR OPEN")
        log.event(chance.uniform(5, 60), door, "DOOR SHUT")
        if chance.random() < 0.2:
            log.event(2, door, "BUTTON")
            log.event(0, door, "BUTTON NOT TAKEN")
    return log.lines


def samples(folder: Path) -> list[str]:
    """The sample logs' sites."""
    found = []
    for exports in sorted(path for path in SAMPLES.iterdir() if path.is_dir()):
        of = load_site(exports.with_suffix(".toml"))
        take(folder / "store", exports, of=of)
        found.append(of.id)
    return found


def building_year(folder: Path, lines: int) -> list[str]:
    """One building, as many lines as a year brings."""
    (folder / "year.toml").write_text(YEAR, encoding="utf-8")
    subprocess.run(
        [sys.executable, "-m", "tests.tools.simulator", "years", "--out", str(folder / "year"),
         "--dialect", "semicolon-text", "--lines", str(lines)],
        check=True, capture_output=True,
    )  # fmt: skip
    take(folder / "store", folder / "year", of=load_site(folder / "year.toml"), chute="A")
    assert "year" in Store.open(folder / "store").sites()
    return ["year"]


def quantile(ordered: Sequence[float], share: float) -> float:
    """The value that so large a share lies at or below; 0 where there is none."""
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else 0.0


def alive(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, 5)
    try:
        connection.request("GET", "/alive")
        return connection.getresponse().status == 204
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def until(said: Callable[[], bool], seconds: float) -> None:
    ends = time.monotonic() + seconds
    while not said():
        if time.monotonic() > ends:
            raise TimeoutError("the server does not answer")
        time.sleep(0.2)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


if __name__ == "__main__":
    sys.exit(main())
