"""Intervals, cycles and visits once more: slow, obvious, dicts and loops.

Written from the rules in the docstrings of `intervals.py`, `cycles.py`, `visits.py` and
`presses.py`; shares no code with them, so that a slip in one shows as a difference. Tables are
lists of dicts, times integers (UTC microseconds), null is None.
"""

from typing import Any

import pandas as pd

Event = dict[str, Any]
Row = dict[str, Any]

WITHIN = {
    "unlocked": ["floor"], "open": ["floor"], "lockout": ["floor"], "full": ["stream"],
    "compacting": ["stream"], "fault": ["floor", "code"], "positioning": [], "clearing": [],
    "service": [], "power": [],
}  # fmt: skip


def slow_tables(timeline: pd.DataFrame, limits: dict[str, float]) -> dict[str, list[Row]]:
    """The three tables of a timeline; `limits`: `press_window_s` and `clearing_s` of all chutes."""
    tables: dict[str, list[Row]] = {"intervals": [], "cycles": [], "visits": []}
    for events in chutes_of(timeline):
        chute = Chute(events, limits)
        for name in tables:
            tables[name] += getattr(chute, name)()
    return tables


def as_rows(table: pd.DataFrame) -> list[Row]:
    """A fast table in the form of the slow ones."""
    rows = []
    for record in table.to_dict("records"):
        row = {}
        for name, value in record.items():
            if isinstance(value, pd.Timestamp):
                row[str(name)] = value.value // 1000  # `value` is in ns, whatever the unit
            else:
                row[str(name)] = None if pd.isna(value) else value
        rows.append(row)
    return rows


def chutes_of(timeline: pd.DataFrame) -> list[list[Event]]:
    """The events of each chute, in order, with their place and what their clock was."""
    chutes: dict[tuple[str, str], list[Event]] = {}
    for event in as_rows(timeline):
        chutes.setdefault((event["site"], event["chute"]), []).append(event)
    for events in chutes.values():
        stretch, loose = 0, False
        for place, event in enumerate(events):
            was, loose = loose, event["clock"] == "unanchored"
            if loose and (not was or (event["signal"], event["edge"]) == ("power", "on")):
                stretch += 1
            event["place"], event["stretch"] = place, stretch if loose else None
    return list(chutes.values())


class Chute:
    """One chute's log; every method reads it from start to end."""

    def __init__(self, events: list[Event], limits: dict[str, float]) -> None:
        self.events = events
        self.limits = limits
        self.size = len(events)
        self.recorded = {event["signal"] for event in events}
        self.losses = self.find_losses()
        self.spans = self.find_spans()
        self.presses = self.find_presses()

    # --- small questions

    def places(self, signal: str, *edges: str) -> list[int]:
        return [
            event["place"]
            for event in self.events
            if event["signal"] == signal and event["edge"] in edges
        ]

    def time(self, place: int | None) -> int | None:
        return None if place is None else self.events[place]["time"]

    def same_clock(self, a: int, b: int) -> bool:
        return self.events[a]["stretch"] == self.events[b]["stretch"]

    def seconds(self, a: int | None, b: int | None) -> float | None:
        if a is None or b is None or not self.same_clock(a, b):
            return None
        span = (self.events[b]["time"] - self.events[a]["time"]) / 1e6
        return span if span >= 0 else None

    def at_once(self, a: int, b: int) -> bool:
        """Whether everything between two places has one time by one clock."""
        low, high = min(a, b), max(a, b)
        between = self.events[low : high + 1]
        return len({(event["time"], event["stretch"]) for event in between}) == 1

    def last_before(self, places: list[int], limit: int) -> int | None:
        return max((place for place in places if place < limit), default=None)

    def next_after(self, places: list[int], start: int) -> int | None:
        return min((place for place in places if place > start), default=None)

    # --- intervals

    def find_losses(self) -> list[int]:
        losses, before = [], None
        for place in self.places("power", "on", "off"):
            edge = self.events[place]["edge"]
            if edge == "off" or before != "off":
                losses.append(place)
            before = edge
        return losses

    def find_spans(self) -> list[Row]:
        spans: list[Row] = []
        running: dict[tuple[Any, ...], int] = {}
        edge_of: dict[tuple[Any, ...], int] = {}
        power: int | None = None

        def close(key: tuple[Any, ...], end: int, how: str) -> None:
            own = running.pop(key)
            spans.append({"own": own, "start": own, "known": True, "end": end, "how": how})

        for event in self.events:
            place, signal, edge = event["place"], event["signal"], event["edge"]
            if place in self.losses:
                for key in [key for key in running if key[0] != "power"]:
                    close(key, place, "power")
            if signal not in WITHIN or edge not in ("on", "off"):
                continue
            key = (signal, *(event[name] for name in WITHIN[signal]))
            if edge == "on":
                if key in running:
                    close(key, place, "repeat")
                running[key] = place
            elif key in running:
                close(key, place, "off")
            else:
                start = max(0, edge_of.get(key, 0), 0 if power is None else power)
                row = {"own": place, "start": start, "known": False, "end": place, "how": "off"}
                spans.append(row)
            edge_of[key] = place
            if signal == "power":
                power = place
        for key in list(running):
            close(key, self.size - 1, "log_end")
        return sorted(spans, key=lambda span: (span["start"], span["own"]))

    def intervals(self) -> list[Row]:
        rows = []
        for span in self.spans:
            own, end = self.events[span["own"]], self.events[span["end"]]
            off = span["how"] == "off"
            whole = off and span["known"]
            row = {name: own[name] for name in ("site", "chute", "signal")}
            for name in ("floor", "stream", "code"):
                row[name] = end[name] if own[name] is None and off else own[name]
            row |= {
                "start": self.time(span["start"]), "end": end["time"],
                "seconds": self.seconds(span["start"], span["end"]) if whole else None,
                "start_known": span["known"], "end_known": off, "ended_by": span["how"],
                "source": own["source"], "line": own["line"],
            }  # fmt: skip
            rows.append(row)
        return rows

    def spans_of(self, signal: str) -> list[Row]:
        spans = [span for span in self.spans if self.events[span["own"]]["signal"] == signal]
        for span in spans:
            own, end = self.events[span["own"]], self.events[span["end"]]
            blank = own["floor"] is None and span["how"] == "off"
            span["floor"] = end["floor"] if blank else own["floor"]
        return sorted(spans, key=lambda span: span["own"])

    # --- presses

    def find_presses(self) -> list[Row]:
        """Presses in order, each with the place of its refusal or None."""
        found: list[Row] = []
        doors: dict[Any, list[Row]] = {}
        last_of: dict[Any, int] = {}
        for event in self.events:
            if event["signal"] not in ("press", "refusal"):
                continue
            place, floor = event["place"], event["floor"]
            waiting = doors.setdefault(floor, [])
            if floor in last_of:
                gap = self.seconds(last_of[floor], place)
                if gap is None or gap > 2:
                    waiting.clear()
            last_of[floor] = place
            fresh = [p for p in waiting if (self.seconds(p["place"], place) or 0) <= 2]
            row = {"place": place, "floor": floor, "refusal": None}
            if event["signal"] == "press":
                waiting.append(row)
                found.append(row)
            elif fresh:
                fresh[-1]["refusal"] = place
                waiting.remove(fresh[-1])
            else:
                found.append(row | {"refusal": place})
        return found

    def run_breaks(self, a: int, b: int) -> bool:
        gap = self.seconds(a, b)
        return gap is None or gap > self.limits["press_window_s"]

    # --- cycles

    def find_uses(self) -> list[Row]:
        """Unlocks and openings, put together and sorted by grant."""
        unlocks = self.places("unlocked", "on")
        uses: list[Row] = []
        for span in self.spans_of("unlocked"):
            # Its start is the earliest it can have begun; that row is no opening, or the first.
            begin = span["own"] if span["known"] else span["start"] - 1
            end = span["end"]
            if span["how"] != "off":
                ends = [self.next_after(unlocks, span["own"])]
                ends += [self.next_after(self.losses, span["own"])]
                end = min((place for place in ends if place is not None), default=self.size)
            uses.append(
                {"span": span, "begin": begin, "end": end, "floor": span["floor"], "opens": []}
            )
        before: dict[Any, tuple[Row, Row]] = {}
        for opening in self.spans_of("open"):
            use = self.use_of(opening, uses)
            if use is None and opening["floor"] in before:
                earlier, earlier_use = before[opening["floor"]]
                if self.is_bounce(earlier, opening, unlocks):
                    use = earlier_use
            if use is None:
                use = {"span": None, "floor": opening["floor"], "opens": []}
                uses.append(use)
            use["opens"].append(opening)
            before[opening["floor"]] = (opening, use)
        for use in uses:
            span, opens = use["span"], use["opens"]
            if (span is not None and span["known"]) or not opens:
                use["grant"] = span["own"]
            else:
                use["grant"] = opens[0]["own"]
        return sorted(uses, key=lambda use: use["grant"])

    def use_of(self, opening: Row, uses: list[Row]) -> Row | None:
        """The unlock during which an opening began, or with which it shares its time."""
        place = opening["own"]
        same = [u for u in uses if u["span"] and u["floor"] == opening["floor"]]
        for use in same:
            if use["begin"] < place < use["end"]:
                return use
        for use in [u for u in same if u["span"]["own"] > place][:1]:
            if use["span"]["known"] and self.at_once(place, use["span"]["own"]):
                return use
        for use in [u for u in same if u["span"]["own"] < place][-1:]:
            if use["span"]["how"] == "off" and self.at_once(use["span"]["end"], place):
                return use
        return None

    def is_bounce(self, earlier: Row, opening: Row, unlocks: list[int]) -> bool:
        seen = earlier["end"] if earlier["how"] == "off" else earlier["own"]
        gap = self.seconds(seen, opening["own"])
        between = range(seen + 1, opening["own"])
        broken = any(place in between for place in self.losses + unlocks)
        return gap is not None and gap < self.limits["clearing_s"] and not broken

    def describe(self, uses: list[Row]) -> None:
        """Fill in the times, the end and the outcome of each use."""
        for use, after in zip(uses, [*uses, None][1:], strict=True):
            span, opens = use["span"], use["opens"]
            use["next"] = after["grant"] if after else self.size
            use["unlocked"] = span["own"] if span and span["known"] else None
            use["locked"] = span["end"] if span and span["how"] == "off" else None
            use["opened"] = opens[0]["own"] if opens and opens[0]["known"] else None
            use["closed"] = opens[-1]["end"] if opens and opens[-1]["how"] == "off" else None
            seen = [use["grant"], use["opened"], use["closed"]]
            latest = max(place for place in seen if place is not None)
            cleared = self.next_after(self.places("clearing", "off"), latest)
            use["cleared"] = cleared if cleared is not None and cleared < use["next"] else None
            seen += [opens[-1]["own"] if opens else None, use["locked"], use["cleared"]]
            use["over"] = max(
                p for p in seen if p is not None and (p < use["next"] or p == use["grant"])
            )
            use["outcome"] = self.outcome(use)

    def outcome(self, use: Row) -> str:
        opened, closed, cleared = use["opened"], use["closed"], use["cleared"]
        if "open" not in self.recorded:
            completed = cleared is not None
        else:
            completed = opened is not None and closed is not None
            completed = completed and (cleared is not None or "clearing" not in self.recorded)
        if completed:
            return "completed"
        if self.cut_by_power(use) or self.trouble_at_the_end(use):
            return "interrupted"
        locked_again = use["unlocked"] is not None and use["locked"] is not None
        if locked_again and not use["opens"] and "open" in self.recorded:
            return "not_opened"
        return "unknown"

    def cut_by_power(self, use: Row) -> bool:
        if use["span"] and use["span"]["how"] == "power":
            return True
        if use["opens"] and use["opens"][-1]["how"] == "power":
            return True
        clearings = [span["own"] for span in self.spans_of("clearing") if span["how"] == "power"]
        return any(use["grant"] < place < use["next"] for place in clearings)

    def trouble_at_the_end(self, use: Row) -> bool:
        ends = [p for p in (use["closed"], use["locked"]) if p is not None and p < use["next"]]
        if not ends:
            return False
        end = max(ends)
        troubles = self.places("service", "on") + self.places("fault", "on", "mark")
        troubles += self.places("full", "on") + self.losses
        earlier, later = self.last_before(troubles, end), self.next_after(troubles, end)
        if earlier is not None and earlier > use["grant"] and self.near(earlier, end):
            return True
        return later is not None and self.near(end, later)

    def near(self, a: int, b: int) -> bool:
        apart = abs(self.events[a]["time"] - self.events[b]["time"])
        return self.same_clock(a, b) and apart <= 2_000_000

    def free(self, place: int, uses: list[Row], broken: list[int]) -> int:
        """The place since which the chute was free for what happens at a place."""
        over = [use["over"] for use in uses if use["grant"] < place][-1:]
        taken = [use.get("taken", -1) for use in uses if use["grant"] < place][-1:]
        changes = self.places("power", "on", "off") + self.places("service", "on", "off")
        changes = [change for change in changes if change < place]
        return max([-1, *over, *taken, *changes, *(t for t in broken if t < place)])

    def answered(self, floor: Any, free: int, limit: int, used: set[int]) -> int | None:
        """The first press of the last run before a limit, since the chute was free."""
        run: list[int] = []
        for press in self.presses:
            place = press["place"]
            if press["floor"] != floor or press["refusal"] is not None or place >= limit:
                continue
            if run and self.run_breaks(run[-1], place):
                run = []
            run.append(place)
        return next((place for place in run if place > free and place not in used), None)

    def find_cycles(self) -> list[Row]:
        uses = self.find_uses()
        self.describe(uses)
        travels = self.spans_of("positioning")
        acted = [press for press in self.presses if press["refusal"] is None]
        broken = [t for t in travels if self.is_broken(t, travels, uses, acted)]
        starts = [travel["own"] for travel in broken]
        used: set[int] = set()
        for use in uses:
            free = self.free(use["grant"], [{**u, "taken": -1} for u in uses], starts)
            pressed = self.answered(use["floor"], free, use["grant"], used)
            if pressed is None:
                behind = [p["place"] for p in acted if p["floor"] == use["floor"]]
                first = self.next_after(behind, use["grant"])
                if first is not None and first < use["next"] and self.at_once(use["grant"], first):
                    pressed = first
            use["pressed"], use["travel"] = pressed, None
            if pressed is not None:
                used.add(pressed)
                use["taken"] = pressed
            between = [t for t in travels if free < t["own"] < use["grant"]]
            if between:
                travel = between[-1]
                came_first = pressed is not None and travel["own"] < pressed
                if came_first and not self.at_once(travel["own"], pressed or 0):
                    broken.append(travel)
                else:
                    use["travel"] = travel
        rows = [{**use, "place": use["grant"]} for use in uses]
        return sorted(rows + self.broken_cycles(broken, travels, uses, acted), key=by_place)

    def is_broken(self, travel: Row, travels: list[Row], uses: list[Row], acted: list[Row]) -> bool:
        start = travel["own"]
        over = [use["over"] for use in uses if use["grant"] < start][-1:]
        if over and start < over[0]:
            return False
        what, place = self.follower(start, travels, uses)
        if what == "travel":
            new = any(start < press["place"] < place for press in acted)
            return new or "press" not in self.recorded
        return what != "grant"

    def follower(self, start: int, travels: list[Row], uses: list[Row]) -> tuple[str, int]:
        changes = self.places("power", "on", "off") + self.places("service", "on", "off")
        later = [(t["own"], "travel") for t in travels] + [(p, "change") for p in changes]
        later += [(use["grant"], "grant") for use in uses]
        place, what = min((pair for pair in later if pair[0] > start), default=(self.size, "none"))
        return what, place

    def broken_cycles(
        self, broken: list[Row], travels: list[Row], uses: list[Row], acted: list[Row]
    ) -> list[Row]:
        rows = []
        starts = [travel["own"] for travel in broken]
        for travel in broken:
            start, floor = travel["own"], travel["floor"]
            free = self.free(start, uses, starts)
            if floor is None:
                before = [press for press in acted if free < press["place"] < start]
                floor = before[-1]["floor"] if before else None
            pressed = self.answered(floor, free, start, set())
            if pressed is None and "press" in self.recorded:
                continue
            nothing = self.follower(start, travels, uses)[0] == "none"
            row = dict.fromkeys(["unlocked", "opened", "closed", "cleared"])
            row |= {"place": start, "floor": floor, "pressed": pressed, "travel": travel}
            rows.append(row | {"outcome": "unknown" if nothing else "interrupted"})
        return rows

    def cycles(self) -> list[Row]:
        rows = []
        for number, cycle in enumerate(self.find_cycles(), start=1):
            travel, pressed = cycle["travel"], cycle["pressed"]
            told_by = cycle["place"]
            if travel:
                told_by = travel["own"]
            if pressed is not None:
                told_by = pressed
            row: Row = {name: self.events[0][name] for name in ("site", "chute")}
            row |= {"cycle": number, "floor": cycle["floor"], "stream": self.stream(cycle)}
            for name in ("pressed", "unlocked", "opened", "closed", "cleared"):
                row[name] = self.time(cycle[name])
            whole = travel and travel["known"] and travel["how"] == "off"
            row |= {
                "positioning_s": self.seconds(travel["own"], travel["end"]) if whole else None,
                "wait_s": self.seconds(pressed, cycle["unlocked"]),
                "reach_s": self.seconds(cycle["unlocked"], cycle["opened"]),
                "open_s": self.seconds(cycle["opened"], cycle["closed"]),
                "clear_s": self.seconds(cycle["closed"], cycle["cleared"]),
                "outcome": cycle["outcome"],
                "source": self.events[told_by]["source"], "line": self.events[told_by]["line"],
            }  # fmt: skip
            rows.append(row)
        return rows

    def stream(self, cycle: Row) -> str | None:
        travel = cycle["travel"]
        places = [cycle["pressed"]]
        if travel:
            places += [travel["own"], travel["end"] if travel["how"] == "off" else None]
        places += [cycle["unlocked"], cycle["opened"]]
        told = [self.events[place]["stream"] for place in places if place is not None]
        return next((stream for stream in told if stream is not None), None)

    # --- visits

    def visits(self) -> list[Row]:
        found: list[list[Row]] = []
        last_of: dict[Any, list[Row]] = {}
        marks = self.opening_places()
        for press in self.presses:
            visit = last_of.get(press["floor"])
            if visit is None or self.parted(
                visit[-1]["place"], press["place"], marks[press["floor"]]
            ):
                visit = last_of[press["floor"]] = []
                found.append(visit)
            visit.append(press)
        cycles = self.find_cycles()
        return [self.visit_row(visit, found, cycles) for visit in found]

    def opening_places(self) -> dict[Any, list[int]]:
        signal = "open" if "open" in self.recorded else "unlocked"
        marks: dict[Any, list[int]] = {press["floor"]: [] for press in self.presses}
        for span in self.spans_of(signal):
            marks.setdefault(span["floor"], []).append(span["own"])
        return marks

    def parted(self, a: int, b: int, marks: list[int]) -> bool:
        """Whether two presses belong to different visits."""
        if self.run_breaks(a, b):
            return True
        # A press at the time of an opening stands before it.
        first = [m for m in marks if (m > a or self.at_once(m, a)) and m < b]
        return any(not self.at_once(m, b) for m in first)

    def visit_row(self, visit: list[Row], found: list[list[Row]], cycles: list[Row]) -> Row:
        first, last = visit[0]["place"], visit[-1]["place"]
        places = [press["place"] for press in visit]
        mine = [cycle for cycle in cycles if cycle["pressed"] in places]
        serving = next((cycle for cycle in mine if self.opens(cycle)), None)
        later = [v[0]["place"] for v in found if v[0]["floor"] == visit[0]["floor"]]
        following = self.next_after(later, first)
        following = self.size if following is None else following
        row: Row = {name: self.events[first][name] for name in ("site", "chute", "floor")}
        told_by = serving["pressed"] if serving else last
        row |= {"stream": self.events[told_by]["stream"], "start": self.time(first)}
        row |= {"end": self.time(last), "presses": len(visit), "wait_s": None}
        refused = sum(press["refusal"] is not None for press in visit)
        row["refusals"] = refused if "refusal" in self.recorded else None
        if serving and "open" in self.recorded:
            opened = serving["opened"]
            row["end"] = self.time(serving["closed"] if opened is None else opened)
            row["wait_s"] = self.seconds(first, opened)
        elif serving:
            row["end"] = self.time(serving["unlocked"])
        row["result"] = self.result(visit, serving, mine, following)
        return row | {name: self.events[first][name] for name in ("source", "line")}

    def opens(self, cycle: Row) -> bool:
        if "open" in self.recorded:
            return cycle["opened"] is not None or cycle["closed"] is not None
        return cycle["unlocked"] is not None

    def result(self, visit: list[Row], serving: Row | None, mine: list[Row], following: int) -> str:
        if serving:
            return "served"
        if not self.recorded & {"open", "unlocked"}:
            return "unknown"
        first, last = visit[0]["place"], visit[-1]["place"]
        refusal, window = visit[-1]["refusal"], self.limits["press_window_s"]
        if refusal is not None and self.events[refusal]["code"] == "lockout":
            return "locked_out"
        floor = visit[0]["floor"]
        lockouts = [p for p in self.places("lockout", "on") if self.events[p]["floor"] == floor]
        lockout = self.next_after(lockouts, first)
        if lockout is not None and lockout < following and self.same_clock(last, lockout):
            gap = (self.events[lockout]["time"] - self.events[last]["time"]) / 1e6
            if gap <= window:
                return "locked_out"
        loss = self.next_after(self.losses, last)
        if loss is not None and loss < following:
            gap = self.seconds(last, loss)
            if gap is None or gap <= window:
                return "unknown"
        left = self.seconds(last, self.size - 1)
        if following == self.size and left is not None and left <= window:
            return "unknown"
        return "unknown" if any(c["outcome"] == "unknown" for c in mine) else "gave_up"


def by_place(row: Row) -> int:
    place: int = row["place"]
    return place
