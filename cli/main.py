"""Run the ``standbook`` command: its subcommands, and the one place where errors become exit codes."""

import errno
import io
import os
import signal
import sys
from contextlib import suppress

import typer

from standbook.cli.commands import COMMANDS, application
from standbook.daq.errors import EXIT_FINE, EXIT_USAGE, RecordError, StandError
from standbook.daq.printable import printable

EXIT_SIGNAL = 128  # plus the number of the signal that ended the command
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EIO)
LONGEST_SENTENCE = 1200  # characters
SIGPIPE = 13  # where the system has no such signal, the code stays the same


def main() -> None:
    """Run the command line; every failure a user can act on ends in its sentence and its exit code."""
    signal.signal(signal.SIGTERM, _interrupt)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # an output of few letters loses a sign, not the sentence
    code = _written_out(run(sys.argv[1:]))
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
    try:
        if arguments == ["--version"]:
            return _print_version()
        asked = next((argument for argument in arguments if argument in COMMANDS), None)
        command = typer.main.get_command(application(*(() if asked is None else (asked,))))
        with command.make_context("standbook", list(arguments)) as context:
            command.invoke(context)
    except typer.Exit as end:
        return end.exit_code
    except StandError as error:
        from standbook.cli.screen import warn

        for line in str(error).splitlines():
            warn(f"standbook: {_shortened(printable(line))}")
        return error.exit_code
    except (BrokenPipeError, SystemExit):  # the latter is what the library that draws help makes of the former
        _read_by_nobody()
        return EXIT_SIGNAL + SIGPIPE
    except KeyboardInterrupt as stopped:
        typer.echo("standbook: stopped", err=True)
        return EXIT_SIGNAL + (stopped.args[0] if stopped.args else signal.SIGINT)
    except OSError as error:
        if error.errno not in FULL or error.filename is not None:
            raise
        return _say_output_is_full(error)
    except Exception as error:
        show = getattr(error, "show", None)  # usage errors of the command-line library know how to print
        if show is None:
            raise
        show()
        return int(getattr(error, "exit_code", EXIT_USAGE))
    return EXIT_FINE


def _written_out(code: int) -> int:
    """Write what is still buffered, while a failure can be said."""
    if sys.stdout is None:  # closed before this program began
        return code
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _read_by_nobody()
        return EXIT_SIGNAL + SIGPIPE
    except OSError as error:
        return _say_output_is_full(error)
    return code


def _say_output_is_full(error: OSError) -> int:
    """Say that the output, a file or a device, takes no more; what the command did stands."""
    from standbook.daq.storage.durable_file import reason

    _read_by_nobody()
    typer.echo(f"standbook: the output cannot be written: {reason(error)}", err=True)
    return RecordError.exit_code


def _read_by_nobody() -> None:
    """Let what is still buffered go nowhere: it would fail again at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _shortened(sentence: str) -> str:
    """Leave out the middle of what nobody reads: a value of thousands of letters, hundreds of columns."""
    if len(sentence) <= LONGEST_SENTENCE:
        return sentence
    return f"{sentence[: LONGEST_SENTENCE * 2 // 3]} ... {sentence[-LONGEST_SENTENCE // 3 :]}"


def _print_version() -> int:
    import platform

    from standbook.daq.software import software

    typer.echo(f"{software()}, Python {platform.python_version()}")
    return EXIT_FINE
