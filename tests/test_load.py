"""A few people at the dashboard for ten seconds, while exports land and the server restarts."""

from pathlib import Path

from tests.lookers import two_sites
from tests.soak import load


def test_a_few_browsers_see_no_error_and_go_on_after_a_restart(tmp_path: Path):
    two_sites(tmp_path)
    run = load.soak(tmp_path, 10, 6, ["quay"], seed=1)
    said = f"{run.text()}\n{(tmp_path / 'server.log').read_text('utf-8')}"
    assert not run.seen.errors, said
    assert run.failed_imports == 0, said
    assert run.imports >= 1, said
    assert len(run.seen.every()) > 20, said
    assert len(run.seen.recovered) == 6, said
