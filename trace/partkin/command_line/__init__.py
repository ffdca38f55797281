"""The command `partkin`: the same actions and questions for people at a terminal, a file a command or noun."""

from __future__ import annotations

import sys

import typer

from partkin.command_line.affected import affected
from partkin.command_line.balance import balance
from partkin.command_line.case import case
from partkin.command_line.case_shown import cases
from partkin.command_line.catalogue import catalogue
from partkin.command_line.check import check
from partkin.command_line.criteria import WideOptions
from partkin.command_line.drill import drill, drills
from partkin.command_line.export import export
from partkin.command_line.garbage import collect_garbage_seldom
from partkin.command_line.history import history
from partkin.command_line.label import label
from partkin.command_line.migrate import migrate
from partkin.command_line.papers import papers
from partkin.command_line.play_demo import play_demo
from partkin.command_line.preview import preview
from partkin.command_line.seal import seal
from partkin.command_line.serve import serve
from partkin.command_line.tree import tree
from partkin.command_line.where import where


def _examples(*lines: str) -> str:
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)


app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help="The birth record of every unit: which component went into which unit, and what a bad lot affects.",
    epilog="Every command has its own help: partkin tree --help. PARTKIN_STORE names the store for all of them.",
)
app.command(epilog=_examples("partkin serve", "partkin serve --host 0.0.0.0 --port 8321 --workers 4"))(serve)
app.command(epilog=_examples("partkin migrate", "partkin migrate --show", "partkin migrate --to 0001"))(migrate)
app.add_typer(catalogue, name="catalogue")
app.command(
    epilog=_examples(
        "partkin tree HD800000427",
        "partkin tree HD800000427 --as-of 2026-03-02T14:00:00+01:00",
        "partkin tree HD800000427 --as-known-at 31",
        "partkin tree HD800000427 --removed --json",
    )
)(tree)
app.command(
    cls=WideOptions,
    epilog=_examples(
        "partkin affected --lot BR-120 A2291",
        "partkin affected --lot BR-120 A2291 --serial-range MO-310 M100200 M100399",
        "partkin affected --received QUILLFORD 2026-03-01 2026-03-09 --part BR-120 --csv units.csv",
        "partkin affected --scan-point L1-010 2026-03-02T06:00+01:00 2026-03-02T07:30+01:00",
    ),
)(affected)
app.command(
    cls=WideOptions,
    epilog=_examples(
        "partkin preview --lot BR-120 A2291",
        "partkin preview --produced MO-310 2026-02-23 2026-02-27 --supplier QUILLFORD",
        "partkin preview --measured SAFETY EARTH-RESISTANCE 0.15 - 2026-03-02",
        "partkin preview --criteria suspects.json --json",
    ),
)(preview)
app.command(epilog=_examples("partkin balance --lot BR-120 A2291", "partkin balance --lot BR-120 A2291 --records"))(
    balance
)
app.command(epilog=_examples("partkin cases", "partkin cases --status frozen --json"))(cases)
app.add_typer(case, name="case")
app.command(
    epilog=_examples("partkin drill --operator QE-07", "partkin drill --part BR-120 --seed 2026-03-02 --operator QE-07")
)(drill)
app.command(epilog=_examples("partkin drills", "partkin drills --json"))(drills)
app.command(epilog=_examples("partkin where HD800000427", "partkin where BM260301-1 --part BM-160"))(where)
app.command(epilog=_examples("partkin history HD800000427", "partkin history HD800000427 --inside --json"))(history)
app.command(
    epilog=_examples(
        "partkin label unit HD800000427 --operator P-03 --to plate.svg",
        "partkin label carton 095212340000000014 --operator P-03 --reason 'torn off'",
        "partkin label --block 31 --sheet",
    )
)(label)
app.command(
    epilog=_examples(
        "partkin export --night 2026-03-02 --to /srv/nights", "cd /srv/nights/2026-03-02 && sha256sum -c SHA256SUMS"
    )
)(export)
app.command(epilog=_examples("partkin papers CC-26-004 --to papers-of-4"))(papers)
app.command(epilog=_examples("partkin seal", "partkin seal --json >> seals.jsonl"))(seal)
app.command("demo", epilog=_examples("partkin demo", "partkin demo --once --units 100"))(play_demo)
app.command(epilog=_examples("partkin check", "partkin check --json > check.json"))(check)


def main() -> None:
    """Run the command; an error that can be expected is one line, and exit code 2."""
    collect_garbage_seldom()
    try:
        app()
    except Exception as error:  # what nobody expects is raised again
        from partkin.command_line.errors import line_of

        line = line_of(error)
        if line is None:
            raise
        print(f"partkin: {line}", file=sys.stderr)
        sys.exit(2)
