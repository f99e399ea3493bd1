"""Who sees one site learns nothing of another, whatever request is made, by hand too."""

import inspect
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from dash import Dash

from dashboards.access.rights import NOBODY, OWNER, Rights, asking
from dashboards.access.seen import Seen
from dashboards.access.settings import Access
from dashboards.app import PAGES, create_app
from dashboards.data import Data
from loganalyzer.errors import AnalyzerError
from loganalyzer.store import Store
from tests.lookers import HIDDEN, Looker, accounts, signed_in, two_sites

# What methods that take a site may want besides.
KNOWN = {"site": "hidden-house", "period": (None, None), "evidence": [], "groups": []}
# The id was given by whoever asks: to hear it again tells nothing.
TOLD = HIDDEN[1:]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rights")
    two_sites(folder)
    return folder


@pytest.fixture(scope="module")
def app(folder: Path) -> Dash:
    return create_app(Store.open(folder / "store"), access=Access(accounts(folder)))


def callbacks(app: Dash) -> Iterator[dict[str, Any]]:
    """Every callback that the server answers, as a browser is told of it."""
    client = signed_in(app.server, "bo").client
    for one in json.loads(client.get("/_dash-dependencies").text):
        if not one.get("clientside_function"):
            yield one


def call(looker: Looker, one: dict[str, Any], page: str, site: str, more: str = "") -> str:
    """Ask a callback about a page of a site, as somebody would who writes the request by hand."""

    def filled(wanted: list[dict[str, Any]]) -> list[Any]:
        found: list[Any] = []
        for each in wanted:
            given = {**each, "id": real(each["id"], site),
                     "value": value(each["id"], each["property"], page, site, more)}  # fmt: skip
            found.append([given] if '["ALL"]' in each["id"] else given)
        return found

    outputs = outputs_of(one, site)
    several = one["output"].startswith("..")
    body = {
        "output": one["output"].replace('["MATCH"]', json.dumps(site)),
        "outputs": outputs if several else outputs[0],
        "inputs": filled(one["inputs"]), "state": filled(one["state"]),
        "changedPropIds": [f"{each['id']}.{each['property']}" for each in one["inputs"][:1]],
    }  # fmt: skip
    answer = looker.post("/_dash-update-component", json=body)
    return answer.text


def outputs_of(one: dict[str, Any], site: str) -> list[dict[str, Any]]:
    """What a callback answers with, as a request names it."""
    names = [name.rsplit(".", 1) for name in one["output"].strip(".").split("...")]
    return [{"id": real(id, site), "property": name.split("@")[0]} for id, name in names]


def real(id: str, site: str) -> Any:
    """The id of a component where a callback names a pattern of them."""
    if not id.startswith("{"):
        return id
    parts = json.loads(id)
    return {key: site if part in (["MATCH"], ["ALL"]) else part for key, part in parts.items()}


def value(id: str, name: str, page: str, site: str, more: str) -> Any:
    known = {
        ("address", "pathname"): f"/site/{site}/{page}".rstrip("/"),
        ("address", "search"): more, ("site", "data"): site, ("page", "data"): page,
        ("scheme", "data"): "light", ("upload", "contents"): "data:;base64,eHh4",
        ("upload", "filename"): "x.csv", ("incidents", "selectedRows"): [{"incident": "x"}],
    }  # fmt: skip
    if id.startswith("{") and name == "data":
        return site
    numbers = ("n_clicks", "n_intervals")
    return known.get((id, name), 1 if name in numbers else None)


def test_no_callback_tells_of_a_site_that_may_not_be_seen(app: Dash):
    """Also not after somebody else asked for it, so that the answer is kept."""
    asked = list(callbacks(app))
    assert len(asked) >= 6
    bo, ann, dee = (signed_in(app.server, name) for name in ("bo", "ann", "dee"))
    heard = set()
    for one in asked:
        wanted = {(each["id"], each["property"]) for each in one["inputs"] + one["state"]}
        of_page = bool(wanted & {("page", "data"), ("address", "pathname")})
        for page in PAGES if of_page else ["data"]:
            all_of_it = call(bo, one, page, "hidden-house")
            heard |= {word for word in TOLD if word in all_of_it}
            for looker in (ann, dee):
                for more in ("", f"?chute={HIDDEN[2]}"):
                    said = call(looker, one, page, "hidden-house", more)
                    clean = said.replace(more, "") if more else said  # what was asked, said again
                    assert not [word for word in TOLD if word in clean], (one["output"], page)
    assert heard == set(TOLD)  # who may see it is told all of these, so the test can fail


def test_the_front_page_lists_the_sites_that_may_be_seen(app: Dash):
    (page,) = [one for one in callbacks(app) if "content.children" in one["output"]]
    page_of = {
        name: looker.post("/_dash-update-component", json={
            "output": page["output"],
            "outputs": outputs_of(page, ""),
            "inputs": [{"id": "address", "property": "pathname", "value": "/"}],
            "state": [{"id": "address", "property": "search", "value": ""}],
            "changedPropIds": ["address.pathname"],
        }).text
        for name in ("ann", "bo", "dee") for looker in [signed_in(app.server, name)]
    }  # fmt: skip
    assert "Hidden House" in page_of["bo"]
    assert "Quay" in page_of["bo"]
    assert "Hidden House" not in page_of["ann"]
    assert "Quay" in page_of["ann"]
    assert "Quay" not in page_of["dee"]


def test_no_method_of_the_data_hands_out_what_may_not_be_seen(folder: Path):
    """Methods that pages may call, those of tomorrow too, once the answer is kept."""
    rights = [OWNER]
    data = Data(Store.open(folder / "store"), lambda: rights[0])
    asked = 0
    for name, method in inspect.getmembers(data, inspect.ismethod):
        wanted = inspect.signature(method).parameters
        if name.startswith("_") or "site" not in wanted:
            continue
        given = {key: KNOWN.get(key)
                 for key in wanted}  # fmt: skip
        rights[0] = OWNER
        method(**given)
        for other in (Rights("ann", frozenset({"quay"}), upload=True), NOBODY):
            rights[0] = other
            with pytest.raises(AnalyzerError, match="site"):
                method(**given)
        asked += 1
    assert asked >= 3


def test_through_the_store_that_pages_have_other_sites_are_not_there(folder: Path):
    whole = Store.open(folder / "store")
    ann = Seen(whole, lambda: Rights("ann", frozenset({"quay"}), upload=True))
    (source,) = whole.imports("hidden-house")["source"]
    assert ann.sites() == ("quay",)
    assert set(ann.imports()["site"]) == set(ann.timeline()["site"]) == {"quay"}
    assert source not in set(ann.rejects()["source"])
    for look in (
        lambda: ann.site("hidden-house"), lambda: ann.chutes("hidden-house"),
        lambda: ann.timeline("hidden-house"), lambda: ann.imports("hidden-house"),
        lambda: ann.rejects("hidden-house"), lambda: ann.lines(source, [2]),
        lambda: ann.check("hidden-house"),
    ):  # fmt: skip
        with pytest.raises(AnalyzerError) as refused:
            look()
        assert not any(word in str(refused.value) for word in TOLD)
    for write in (ann.writing, ann.incoming):
        with pytest.raises(PermissionError), write():
            pass


def test_a_site_of_others_answers_like_one_that_does_not_exist(folder: Path):
    ann = Seen(Store.open(folder / "store"), lambda: Rights("ann", frozenset({"quay"}), True))
    said = []
    for name in ("hidden-house", "no-such-site"):
        with pytest.raises(AnalyzerError) as refused:
            ann.check(name)
        said.append(str(refused.value).replace(name, "x"))
    assert said[0] == said[1]


def test_outside_of_a_request_nobody_has_rights():
    assert asking() == NOBODY
    assert not NOBODY.may_see("quay")
    assert not NOBODY.may_upload("quay")
