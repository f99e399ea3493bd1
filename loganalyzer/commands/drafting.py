"""Drafting a profile for an export that nobody has one for: `draft`."""

import argparse
from pathlib import Path

from loganalyzer.commands.shared import print_json, tell
from loganalyzer.drafting import Draft, draft
from loganalyzer.errors import UsageError
from loganalyzer.site import load_site


def draft_profile(options: argparse.Namespace) -> int:
    """Draft a profile, write it, and say what is settled and what is open."""
    out: Path = options.out
    if out.exists() and not options.force:
        raise UsageError(
            str(out), "a file that is there already", "a new file",
            "Name another with --out, or replace it with --force",
        )  # fmt: skip
    answers = dict(_answer(text) for text in options.answer)
    drafted = draft(options.paths, load_site(options.site), out.stem, answers)
    try:
        out.write_text(drafted.text, encoding="utf-8")
    except OSError as error:
        raise UsageError(
            str(out), f"a file that cannot be written ({error.strerror})", "a place to write to",
            "Name another file with --out",
        ) from None  # fmt: skip
    for message in drafted.messages:
        tell(message)
    files = " ".join(map(str, options.paths))
    following = f"loganalyzer inspect {files} --profile {out} --site {options.site}"
    if options.json:
        print_json(drafted.as_dict() | {"out": str(out), "next": following})
    else:
        print(_text(drafted, out, following))
    return 0


def _answer(text: str) -> tuple[str, str]:
    key, found, value = text.rpartition("=")
    if not found:
        raise UsageError(
            "--answer", f"'{text}'", "KEY=VALUE, as means:DOOR OPEN=open on",
            "Take the keys from draft --json",
        )  # fmt: skip
    return key, value


def _text(drafted: Draft, out: Path, following: str) -> str:
    roles = [f"  {role}: {said}" for role, said in drafted.roles.items()]
    meant = [
        f"  {one.certainty:.2f}  {' '.join(one.meaning).strip():16}"
        f"{one.kind.texts.total():8,} lines  {next(iter(one.kind.texts))}"
        for one in drafted.guesses if one.meaning is not None and one.sure
    ]  # fmt: skip
    settled = "" if not drafted.lines else f" ({100 * drafted.sure_lines / drafted.lines:.1f} %)"
    return "\n".join([
        f"{out}: a draft of a profile", f"  layout {drafted.layout}", *roles,
        f"Settled for {drafted.sure_lines:,} of {drafted.lines:,} records{settled}; "
        "how sure, from 0 to 1 (our own measure):", *meant,
        f"Questions, {len(drafted.questions)} (QUESTION in the file):"
        if drafted.questions else "No question is open.",
        *(f"  - {asked}" for asked in drafted.questions),
        "Next, measure it:", f"  {following}",
    ])  # fmt: skip
