"""Telling what the logs show: one command a question."""

import argparse
from collections.abc import Sequence

import pandas as pd

from loganalyzer import views
from loganalyzer.answers import answer, span
from loganalyzer.commands.shared import CAUTION, answered, findings, period, tell, told
from loganalyzer.commands.tickets import ticket_status, with_tickets
from loganalyzer.errors import UsageError
from loganalyzer.kept.many import FEW, many, many_of_period, told_of
from loganalyzer.kept.told import PORTFOLIO, found_rows, portfolio_of
from loganalyzer.store import Store
from loganalyzer.views import Analysis
from loganalyzer.views.audit_report import audit_dict, audit_text, shown_violations
from loganalyzer.views.effects import effects_dict, effects_text
from loganalyzer.views.index_report import indices_dict, indices_text
from loganalyzer.views.many import many_dict, many_text, not_analysed
from loganalyzer.views.pickup_report import pickups_dict, pickups_text
from loganalyzer.views.portfolio import portfolio
from loganalyzer.views.portfolio_report import portfolio_dict, portfolio_text
from loganalyzer.views.replay_report import change_of, replay_dict, replay_text
from loganalyzer.views.streams_report import (
    containers_dict,
    containers_text,
    streams_dict,
    streams_text,
)
from loganalyzer.views.suspects_report import suspects_dict, suspects_text
from loganalyzer.views.wait_report import clearing_what_if, waiting_dict, waiting_text


def summarise(options: argparse.Namespace) -> int:
    """Print the findings."""
    store = Store.open(options.store)
    if options.site is None and options.chute is None and len(store.sites()) > FEW:
        return _summarise_many(options, store)
    analysis = answered(options, store)
    found = views.summary(analysis, store.imports(options.site), store.rejects(options.site))
    return told(
        options.json,
        lambda: {**views.as_dict(analysis, found), "kept_from": store.kept_from(options.site)},
        lambda: findings(store, found),
    )


def _summarise_many(options: argparse.Namespace, store: Store) -> int:
    """From what is kept of each site; findings only of the whole log."""
    start, end = period(options)
    whole = start is None and end is None
    found = many(store) if whole else many_of_period(store, start, end)
    if not found.names:
        raise _none_analysed(store, found.missing)
    return told(
        options.json,
        lambda: {"caution": CAUTION} | many_dict(
            found.headline, None if found.findings is None else found_rows(found.findings),
            found.missing,
        ),
        lambda: f"{many_text(found.names, found.headline, found.worst(), found.missing)}\n\n"
        f"{CAUTION}",
    )  # fmt: skip


def audit_rules(options: argparse.Namespace) -> int:
    """Print how each rule fared, and the violations with their lines."""
    store = Store.open(options.store)
    analysis = answered(options, store)
    return told(
        options.json, lambda: audit_dict(analysis),
        lambda: audit_text(analysis, _originals(store, analysis, options.site)),
    )  # fmt: skip


def tell_waiting(options: argparse.Namespace) -> int:
    """Print how long people wait, and what another clearing time would do."""
    analysis = answered(options, Store.open(options.store))
    other = None if options.clearing is None else clearing_what_if(analysis, options.clearing)
    return told(
        options.json, lambda: waiting_dict(analysis, other), lambda: waiting_text(analysis, other)
    )


def replay_settings(options: argparse.Namespace) -> int:
    """Print what waiting, refusals and lockouts would be under other settings."""
    change = change_of(options.settings)
    analysis = answered(options, Store.open(options.store))
    return told(
        options.json, lambda: replay_dict(analysis, change), lambda: replay_text(analysis, change)
    )


def tell_indices(options: argparse.Namespace) -> int:
    """Print how often and how long units were without their door."""
    analysis = answered(options, Store.open(options.store))
    return told(options.json, lambda: indices_dict(analysis), lambda: indices_text(analysis))


def tell_effects(options: argparse.Namespace) -> int:
    """Print what worked of the work and campaigns that the site files name."""
    analysis = answered(options, Store.open(options.store))
    return told(options.json, lambda: effects_dict(analysis), lambda: effects_text(analysis))


def compare_buildings(options: argparse.Namespace) -> int:
    """Print the worst of all buildings, what fails alike, and the round for the week."""
    store = Store.open(options.store)
    if options.site is not None:
        store.site(options.site)
    if period(options) == (None, None):
        found = told_of(store, PORTFOLIO)
        held = portfolio_of(found.table)
        if found.missing:
            tell(not_analysed(found.missing, len(store.sites())))
        if not found.table.num_rows:
            raise _none_analysed(store, found.missing)
    else:  # one building at a time, so that memory does not grow with their number
        held = portfolio(answer(store, name, period=period(options)) for name in store.sites())
    return told(
        options.json, lambda: portfolio_dict(held, options.site),
        lambda: portfolio_text(held, options.site),
    )  # fmt: skip


def _none_analysed(store: Store, missing: Sequence[str]) -> UsageError:
    return UsageError(
        str(store.path), f"{len(missing):,} sites and none of them analysed", "some that are",
        "Run loganalyzer analyze, or name one with --site",
    )  # fmt: skip


def name_suspects(options: argparse.Namespace) -> int:
    """Print which parts are failing, where, since when, and what to check first."""
    analysis = answered(options, Store.open(options.store))
    return told(options.json, lambda: suspects_dict(analysis), lambda: suspects_text(analysis))


def tell_streams(options: argparse.Namespace) -> int:
    """Print how people sort."""
    analysis, mistakes = with_tickets(options, Store.open(options.store))
    told(
        options.json, lambda: {**streams_dict(analysis), "mistakes": list(mistakes)},
        lambda: streams_text(analysis, mistakes),
    )  # fmt: skip
    return ticket_status(analysis, mistakes)


def tell_containers(options: argparse.Namespace) -> int:
    """Print how containers fill."""
    analysis, mistakes = with_tickets(options, Store.open(options.store))
    told(
        options.json, lambda: {**containers_dict(analysis), "mistakes": list(mistakes)},
        lambda: containers_text(analysis, mistakes),
    )  # fmt: skip
    return ticket_status(analysis, mistakes)


def tell_pickups(options: argparse.Namespace) -> int:
    """Print when containers will be full, and what another rule would change."""
    analysis = answered(options, Store.open(options.store))
    at = _forecast_from(options.on, analysis) if options.on else None
    return told(
        options.json, lambda: pickups_dict(analysis, at), lambda: pickups_text(analysis, at)
    )


def _originals(
    store: Store, analysis: Analysis, site: str | None
) -> dict[tuple[str, int], tuple[str, str]]:
    """The lines behind the violations that are shown: file name and text by source and line."""
    names = store.imports(site).set_index("source")["name"].to_dict()
    return {
        (str(source), number): (names.get(source, ""), text)
        for source, part in shown_violations(analysis).groupby("source")
        for number, text in store.lines(str(source), part["line"]).items()
    }


def _forecast_from(text: str, analysis: Analysis) -> pd.Timestamp | None:
    zones = {site.time_zone for site in analysis.sites.values()}
    if len(zones) != 1:
        raise UsageError("--on", "sites in several time zones", "one site",
                         f"Add --site {next(iter(analysis.sites))}")  # fmt: skip
    return span((text, None), zones.pop())[0]
