"""An export handed over in the browser: looked at, taken in, refused; nothing else is touched."""

import base64
import gzip
import io
import json
import re
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from dash import Dash
from plotly.utils import PlotlyJSONEncoder

from dashboards import uploads as module
from dashboards.access.rights import Rights
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.data import PAGE, upload
from dashboards.pages.frame import answers
from dashboards.uploads import ALL, EACH, KEPT_S, Uploads, safe_name
from loganalyzer import receiving
from loganalyzer.errors import InputError
from loganalyzer.store import Store
from tests.exports import HEADER, history
from tests.lookers import HIDDEN, busy_day, two_sites


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def waiting() -> Iterator[Uploads]:
    kept = Uploads(Clock())
    yield kept
    kept.close()


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """The work is done in this process: starting one of its own takes seconds."""

    def done(job: receiving.Job) -> receiving.Done:
        store = Store.open(job.store.resolve())
        with monkeypatch.context() as patch:
            patch.chdir(job.folder)
            return receiving.work(job, store)

    monkeypatch.setattr(upload, "done", done)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return two_sites(tmp_path_factory.mktemp("uploads"))


def csv(*lines: str) -> bytes:
    return ("\n".join([HEADER, *lines]) + "\n").encode()


def sent(content: bytes) -> str:
    return "data:text/csv;base64," + base64.b64encode(content).decode()


def words(said: Any) -> str:
    return json.dumps(said, cls=PlotlyJSONEncoder, ensure_ascii=False)


def files(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


NEW = busy_day("7", "2025-03-10 08:00:00")


def test_a_file_is_looked_at_and_nothing_is_kept_until_one_says_so(
    tmp_path: Path, waiting: Uploads
):
    store = two_sites(tmp_path)
    before, data = files(store.path), Data(store)
    shown = upload.look(data, waiting, (sent(csv(*NEW)), "C:\\logs\\week 2.csv", "", ""), "quay")
    said = words(shown.preview)
    assert (shown.may_take, shown.may_draft) == (True, True)
    assert "week 2.csv: nothing is kept yet" in said
    assert "The profile semicolon-text understands 98.5 % of it. Chute: A." in said
    assert "unknown event" in said
    assert "NOT A WORD OF THIS PROFILE" in said
    assert re.search(r"2025-03-10 08:10:00", said)
    assert files(store.path) == before
    found = upload.take(data, waiting, shown.token, ("", ""), "quay")
    assert (found.token, found.may_take) == (None, False)
    assert '"imported"' in words(found.taken)
    row = store.imports("quay").set_index("name").loc["week 2.csv"]
    assert (row["chute"], row["rejected"], row["lines"]) == ("A", 1, len(NEW) + 1)
    assert history(store.path)["site"].eq("quay").sum() == 2 * (len(NEW) - 1)
    assert store.imports("hidden-house")["name"].str.endswith("file-of-hidden.csv").all()
    assert upload.GONE in words(upload.take(data, waiting, shown.token, ("", ""), "quay").taken)


@pytest.mark.usefixtures("here")
def test_what_is_taken_in_is_what_the_command_takes_in(tmp_path: Path, waiting: Uploads):
    from tests.exports import take, write

    by_command = two_sites(tmp_path / "command")
    take(by_command.path, write(tmp_path / "week2.csv", NEW))
    by_browser = two_sites(tmp_path / "browser")
    seen = upload.look(Data(by_browser), waiting, (sent(csv(*NEW)), "week2.csv", "", ""), "quay")
    upload.take(Data(by_browser), waiting, seen.token, ("", ""), "quay")
    assert history(by_browser.path).equals(history(by_command.path))


@pytest.mark.usefixtures("here")
def test_the_chute_and_profile_that_are_offered_can_be_asked_for(both: Store, waiting: Uploads):
    data, content = Data(both), sent(csv(*NEW))
    assert "semicolon-text" in upload.profiles(data, "quay")
    shown = upload.look(data, waiting, (content, "x.csv", "A", "bracket-lines"), "quay")
    assert upload.UNREAD in words(shown.preview)
    assert shown.draft
    for chute, profile in (
        ("Z", "/etc/passwd"),
        ("../A", "../../etc/hosts"),
        (HIDDEN[2], "x.toml"),
    ):
        shown = upload.look(data, waiting, (content, "x.csv", chute, profile), "quay")
        assert f"found '{chute}', expected one of A" in words(shown.preview)
        assert (shown.token, shown.may_take, shown.may_draft) == (None, False, False)
        shown = upload.look(data, waiting, (content, "x.csv", "A", profile), "quay")
        assert f"found '{profile}', expected one of bracket-lines, " in words(shown.preview)
    assert len(waiting._kept) == 1  # that of the first look; the refused ones are gone


# Who may


def test_only_who_may_upload_at_a_site_can(both: Store, waiting: Uploads):
    before = files(both.path)
    for rights, site in (
        (Rights("cy", frozenset({"quay"}), upload=False), "quay"),
        (Rights("ann", frozenset({"quay"}), upload=True), "hidden-house"),
        (Rights("dee", frozenset(), upload=True), "quay"),
    ):
        data = Data(both, lambda rights=rights: rights)
        said = upload.look(data, waiting, (sent(csv(*NEW)), "x.csv", "", ""), site)
        assert upload.FORBIDDEN in words(said.preview)
        assert said.token is None
        assert not waiting._kept
        assert upload.FORBIDDEN in words(upload.take(data, waiting, "x", ("", ""), site).taken)
        asked = upload.decide(data, waiting, "x", ({}, ""), site)
        assert upload.FORBIDDEN in words(asked.preview)
    assert files(both.path) == before


def test_the_page_offers_it_to_who_may_alone(both: Store):
    may = Data(both, lambda: Rights("ann", frozenset({"quay"}), upload=True))
    not_ = Data(both, lambda: Rights("cy", frozenset({"quay"}), upload=False))
    for data, offered in ((may, True), (not_, False)):
        said = words(answers(data, PAGE, "quay", Choice(), "light"))
        assert ("Choose an export" in said) is offered
        assert "What could not be read?" in said


def test_a_file_waits_for_who_handed_it_over_and_for_that_site(waiting: Uploads):
    token, _ = waiting.keep(sent(b"x"), "x.csv", "ann", "quay")
    assert waiting.find(token, "ann", "quay")
    assert waiting.find(token, "bo", "quay") is None
    assert waiting.find(token, "ann", "hidden-house") is None
    assert waiting.find("made up", "ann", "quay") is None
    assert waiting.find(None, "ann", "quay") is None


def test_a_file_that_waits_is_gone_after_a_while_and_nobody_can_pile_them_up(waiting: Uploads):
    clock = waiting._clock
    _, first = waiting.keep(sent(b"x"), "x.csv", "ann", "quay")
    assert first.folder.stat().st_mode & 0o077 == 0
    for _ in range(EACH):
        waiting.keep(sent(b"x"), "x.csv", "ann", "quay")
    assert not first.folder.exists()
    for number in range(ALL):
        waiting.keep(sent(b"x"), "x.csv", f"account{number}", "quay")
    assert len(waiting._kept) == ALL
    kept = [one.folder for one in waiting._kept.values()]
    clock.now += KEPT_S  # type: ignore[attr-defined]
    assert waiting.find(None, None, "") is None
    assert not any(folder.exists() for folder in kept)


# What may be in a file


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("week 2.csv", "week 2.csv"), ("../../etc/passwd", "passwd"), ("C:\\a\\b.csv", "b.csv"),
        ("..", "export"), (".hidden", "hidden"), ("", "export"), ("/", "export"),
        ("a\0b\nc.csv", "a_b_c.csv"), ("<img src=x>.csv", "_img src_x_.csv"),
        ("x\u202egpj.csv", "x_gpj.csv"), ("settings.toml", "settings.toml_"),
        ("json.py", "json.py_"), ("-rf", "rf"), ("x" * 300 + ".csv", "x" * 76 + ".csv"),
        ("größe 雲.csv", "größe 雲.csv"), ("week.zip!a.csv", "week.zip_a.csv"), ("...", "export"),
    ],
)  # fmt: skip
def test_a_name_cannot_lead_anywhere(name: str, safe: str):
    # Source: OWASP ASVS 4.0.3, 12.3.1 and 12.3.2.
    assert safe_name(name) == safe
    assert Path("/f", safe).resolve().parent == Path("/f")


@pytest.mark.parametrize("contents", ["", "data:;base64,", "data:;base64,!!!", "x", "data:,abc"])
def test_what_is_no_file_is_told(waiting: Uploads, contents: str):
    with pytest.raises(InputError, match="an empty file"):
        waiting.keep(contents, "x.csv", None, "quay")


def test_a_file_larger_than_allowed_is_refused_before_it_is_decoded(
    waiting: Uploads, monkeypatch: pytest.MonkeyPatch
):
    """The browser checks it too, but whoever writes their own request does not."""
    monkeypatch.setattr(module, "FILE_BYTES", 1000)
    monkeypatch.setattr(module.base64, "b64decode", lambda *_, **__: pytest.fail("decoded"))
    with pytest.raises(InputError, match="a larger file, expected at most 1,000 bytes"):
        waiting.keep("data:;base64," + "A" * 1400, "x.csv", None, "quay")


def packed() -> dict[str, bytes]:
    """Files that mean harm. Source: public knowledge of zip slip, zip and gzip bombs."""
    slip, bomb = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(slip, "w") as archive:
        archive.writestr("../../evil.csv", csv(*NEW))
        archive.writestr("/tmp/evil.csv", csv(*NEW))
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bomb.csv", bytes(80_000_000))
    return {
        "slip.zip": slip.getvalue(), "bomb.zip": bomb.getvalue(),
        "bomb.gz": gzip.compress(bytes(80_000_000)), "nul.csv": bytes(100_000),
        "page.html": b"<script>alert(1)</script>\n" * 50, "cut.gz": gzip.compress(csv(*NEW))[:60],
        "not.zip": b"PK\x03\x04" + bytes(50), "profile.toml": b'name = "x"\nlayout = "lines"\n',
    }  # fmt: skip


@pytest.mark.usefixtures("here")
def test_files_that_mean_harm_are_told_and_leave_nothing(tmp_path: Path, waiting: Uploads):
    store = two_sites(tmp_path)
    before = files(tmp_path)
    for name, content in packed().items():
        shown = upload.look(Data(store), waiting, (sent(content), name, "", ""), "quay")
        assert not shown.may_take or name == "cut.gz", (name, words(shown.preview))
        assert name in words(shown.preview), name
        assert "Traceback" not in words(shown.preview)
    assert files(tmp_path) == before
    assert not Path("/tmp/evil.csv").exists()


def test_a_file_that_takes_for_ever_is_stopped(both: Store, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(receiving, "SECONDS", 0)
    job = receiving.Job(receiving.LOOK, both.path, "quay", both.path.parent, "week.csv",
                        datetime(2026, 1, 1, tzinfo=UTC))  # fmt: skip
    with pytest.raises(InputError, match="too long or too much memory"):
        receiving.done(job)


@pytest.mark.usefixtures("here")
def test_no_profile_of_the_own_site_is_lost_with_its_folder(tmp_path: Path, waiting: Uploads):
    """The site file's folder may be gone; the profile that read the other exports is kept."""
    from loganalyzer.site import load_site
    from tests.exports import take, write

    folder = tmp_path / "settings"
    folder.mkdir()
    shipped = Path(receiving.__file__).parent / "profiles" / "semicolon-text.toml"
    own = shipped.read_text("utf-8").replace('"BUTTON"', '"KNOB"')
    (folder / "own.toml").write_text(own, encoding="utf-8")
    (folder / "quay.toml").write_text(
        '[site]\nid = "quay"\nname = "Quay"\ntime_zone = "Europe/Lisbon"\n'
        '[[chute]]\nid = "A"\nprofile = "own.toml"\n', encoding="utf-8",
    )  # fmt: skip
    lines = [line.replace(";BUTTON;", ";KNOB;") for line in busy_day("7")]
    take(tmp_path / "store", write(tmp_path / "a.csv", lines), of=load_site(folder / "quay.toml"))
    for file in folder.iterdir():
        file.unlink()
    store = Store.open(tmp_path / "store")
    fresh = csv(*(line.replace(";BUTTON;", ";KNOB;") for line in NEW))
    shown = upload.look(Data(store), waiting, (sent(fresh), "b.csv", "", ""), "quay")
    assert shown.may_take, words(shown.preview)
    assert "understands 98.5 % of it" in words(shown.preview)


def test_the_callbacks_ask_for_rights_themselves(both: Store):
    """They are registered whoever looks; a request may be made by hand."""
    app = Dash(__name__, enable_mcp=False)
    upload.register(app, Data(both), Uploads())
    assert len(app.callback_map) + len(app._callback_list) >= 2
