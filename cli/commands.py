"""List the commands: the module of each, and its line in the list of commands.

A command's module is loaded when it is asked for, so that the list and each help page appear at once.
"""

from importlib import import_module
from typing import Any, NamedTuple

import typer
from typer.core import TyperGroup


class Command(NamedTuple):
    """One command."""

    module: str  # in this folder
    function: str
    line: str  # short enough for the list not to cut it


PHASES = {
    "Prepare": {
        "demo": Command("demo", "demo", "Run the whole job on a simulated stand."),
        "new": Command("new", "new", "Write a commented, working campaign to start from."),
        "firmware": Command("firmware", "firmware", "Copy the firmware for a board, ready to flash."),
        "ports": Command("ports", "ports", "List serial ports, or say what a board sends."),
        "bench": Command("bench", "bench", "Record a board without a plan; report on its columns."),
        "predict": Command("predict", "predict", "Predict a run from its plan, with a 95 % band."),
    },
    "Calibrate and check": {
        "calibrate": Command("calibrate", "calibrate", "Make a readings sheet into the next calibration."),
        "check": Command("check", "check", "Check the stand in place, one key a step."),
        "pull": Command("pull", "pull", "Fit a pull in place: hoses, flexures, line load."),
        "tap": Command("tap", "tap", "Fit taps on the stand: modes, damping, moving mass."),
        "hold": Command("hold", "hold", "Say whether a recorded pressure hold is tight."),
        "load": Command("load", "load", "Compare a load by the cell with the containers."),
        "ready": Command("ready", "ready", "Rank what would be lost if you fired now."),
    },
    "Lock, rehearse, record": {
        "lock": Command("lock", "lock", "Lock the prediction before the run."),
        "rehearse": Command("rehearse", "rehearse", "Play a plan on a simulated stand."),
        "record": Command("record", "record", "Record a run, then seal it."),
        "watch": Command("watch", "watch", "Show a recording in progress on a second screen."),
    },
    "After the run": {
        "quick": Command("quick", "quick", "Say in five sentences what a run gave: keep, repeat?"),
        "recover": Command("recover", "recover", "Seal a recording that ended before it was sealed."),
        "verify": Command("verify", "verify", "Check every hash and every row of a run."),
        "import": Command("import_csv", "import_csv", "Import a CSV of another logger as a run."),
        "fill": Command("fill", "fill", "Fill lost rows from a second recorder's copy."),
        "add": Command("add", "add", "Add weighings and notes to a sealed run."),
        "analyse": Command("analyse", "analyse", "Analyse a sealed run into a new revision."),
        "report": Command("report", "report", "Write the report of a run as one HTML file."),
    },
    "Campaign": {
        "runs": Command("runs", "runs", "List a campaign's runs and what each says."),
        "campaign": Command("campaign", "campaign", "Show all runs of a campaign in one page."),
        "compare": Command("compare", "compare", "Say what two runs differ in, and what changed."),
        "carry": Command("carry", "carry", "Carry CdA and exponent of a flow to the next plan."),
        "next-load": Command("next_load", "next_load", "Say which load would stay inside the class."),
    },
    "Take away": {
        "export": Command("export", "export", "Write a run as CSV, workbook, thrust table, MATLAB."),
        "archive": Command("archive", "archive", "Write a run as one zip for a stranger."),
    },
    "Read": {
        "guide": Command("guide", "guide", "Read the user guide."),
    },
}
COMMANDS = {name: command for phase in PHASES.values() for name, command in phase.items()}

CAUTION = (
    "standbook watches, records, computes and says. It commands nothing and protects nobody: relief valves, "
    "a hard-wired abort, distance and procedure do."
)


class PhasedGroup(TyperGroup):
    """Commands listed by the phase of the work in which they are used."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401 - as the library has it
        """Write the list of commands, one section a phase, all in one column."""
        width = max(map(len, COMMANDS))
        for phase, commands in PHASES.items():
            with formatter.section(phase):
                formatter.write_dl([(f"{name:{width}}", command.line) for name, command in commands.items()])


def application(*names: str) -> typer.Typer:
    """Build the command line: the named commands whole, all others as the list shows them."""
    app = typer.Typer(
        name="standbook",
        cls=PhasedGroup,
        help="Record, analyse and report ground tests of a small pressure-fed rocket engine in blowdown. "
        "Begin with standbook demo, standbook new DIR, standbook guide. "
        "standbook --version names version, commit and Python.",
        epilog=CAUTION,
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,  # plain text: it wraps at any width, and appears in half the time
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    for name, command in COMMANDS.items():
        if name in names:
            app.command(name, short_help=command.line)(
                getattr(import_module(f"standbook.cli.{command.module}"), command.function)
            )
        else:
            app.command(name, short_help=command.line)(_listed_only)
    return app


def _listed_only() -> None:
    """Stand in the list of commands."""
