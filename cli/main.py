"""The ``standbook`` command: its subcommands, and the one place where errors become exit codes."""

import sys

import typer

from cli import (
    add,
    analyse,
    demo,
    guide,
    import_csv,
    lock,
    new,
    ports,
    predict,
    record,
    rehearse,
    report,
    seal,
)
from daq.errors import EXIT_USAGE, StandError

CAUTION = (
    "standbook watches, records, computes and says. It commands nothing and protects nobody: relief valves, "
    "a hard-wired abort, distance and procedure do."
)

app = typer.Typer(
    name="standbook",
    help="Record, analyse and report ground tests of a small pressure-fed rocket engine in blowdown.",
    epilog=CAUTION,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("new")(new.new)
app.command("predict")(predict.predict)
app.command("lock")(lock.lock)
app.command("ports")(ports.ports)
app.command("rehearse")(rehearse.rehearse)
app.command("record")(record.record)
app.command("seal")(seal.seal)
app.command("import")(import_csv.import_csv)
app.command("add")(add.add)
app.command("analyse")(analyse.analyse)
app.command("report")(report.report)
app.command("demo")(demo.demo)
app.command("guide")(guide.guide)


def main() -> None:
    """Run the command line; every failure a user can act on ends in its sentence and its exit code."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command and return its exit code."""
    try:
        code = app(arguments, standalone_mode=False)
    except StandError as error:
        for line in str(error).splitlines():
            typer.echo(f"standbook: {line}", err=True)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 141
    except KeyboardInterrupt:
        typer.echo("standbook: stopped", err=True)
        return 130
    except Exception as error:
        show = getattr(error, "show", None)  # usage errors of the command-line library know how to print
        if show is None:
            raise
        show()
        return int(getattr(error, "exit_code", EXIT_USAGE))
    return code if isinstance(code, int) else 0
