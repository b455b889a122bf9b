"""The ``standbook`` command: its subcommands, and the one place where errors become exit codes."""

import os
import signal
import sys
from contextlib import suppress

import typer

from standbook.cli import (
    add,
    analyse,
    carry,
    demo,
    fill,
    guide,
    import_csv,
    lock,
    new,
    ports,
    predict,
    record,
    recover,
    rehearse,
    report,
    verify,
    watch,
)
from standbook.daq.errors import EXIT_FINE, EXIT_USAGE, StandError

EXIT_SIGNAL = 128  # plus the number of the signal that ended the command
SIGPIPE = 13  # where the system has no such signal, the code stays the same

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
app.command("watch")(watch.watch)
app.command("recover")(recover.recover)
app.command("verify")(verify.verify)
app.command("import")(import_csv.import_csv)
app.command("add")(add.add)
app.command("fill")(fill.fill)
app.command("analyse")(analyse.analyse)
app.command("carry")(carry.carry)
app.command("report")(report.report)
app.command("demo")(demo.demo)
app.command("guide")(guide.guide)


def main() -> None:
    """Run the command line; every failure a user can act on ends in its sentence and its exit code."""
    signal.signal(signal.SIGTERM, _interrupt)
    code = run(sys.argv[1:])
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # all is done: a late one would only spoil the exit code
    if code > EXIT_SIGNAL:
        # An interpreter that is wound up dies of SIGINT itself where a signal came while a library evaluated a string.
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError):
                stream.flush()
        os._exit(code)
    sys.exit(code)


def _interrupt(number: int, _frame: object) -> None:
    """End as Ctrl-C does, so that nothing is left half-written."""
    raise KeyboardInterrupt(number)


def run(arguments: list[str]) -> int:
    """Run one command and return its exit code; an error that nobody foresaw passes through, with its traceback."""
    # The command is invoked without its own main(), which would turn signals and closed pipes into codes of its own.
    command = typer.main.get_command(app)
    try:
        with command.make_context("standbook", list(arguments)) as context:
            command.invoke(context)
    except typer.Exit as end:
        return end.exit_code
    except StandError as error:
        for line in str(error).splitlines():
            typer.echo(f"standbook: {line}", err=True)
        return error.exit_code
    except (BrokenPipeError, SystemExit):  # the latter is what the library that draws help makes of the former
        # Whoever read our output has gone. What is still buffered would fail again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_SIGNAL + SIGPIPE
    except KeyboardInterrupt as stopped:
        typer.echo("standbook: stopped", err=True)
        return EXIT_SIGNAL + (stopped.args[0] if stopped.args else signal.SIGINT)
    except Exception as error:
        show = getattr(error, "show", None)  # usage errors of the command-line library know how to print
        if show is None:
            raise
        show()
        return int(getattr(error, "exit_code", EXIT_USAGE))
    return EXIT_FINE
