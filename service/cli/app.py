"""The table of verbs and the one place where errors become exit codes. Imports no heavy verb until it is called."""

from __future__ import annotations

import os
import sys
from importlib import import_module

from cyclopts import App, CycloptsError, Parameter

from service.cli.failure import MEANINGS, Exit, Failure
from service.cli.output import plain

VERBS = {
    "run": ("service.cli.run:run", "Run the daemon until it is told to stop."),
    "demo": ("service.cli.demo.verb:demo", "Play a small plant on this computer and watch it, from fault to email."),
    "status": ("service.cli.status:status", "Say whether the daemon is ready, and print the link of its page."),
    "alarms": ("service.cli.alarms:alarms", "List the active alarms, or all of them."),
    "explain": ("service.cli.explain:explain", "Say why there was an alarm, or why there was none."),
    "check": ("service.cli.check:check", "Check a plant file without running anything."),
    "test-notification": ("service.cli.send_test:send_test", "Send a test to one contact."),
    "quarantine": ("service.cli.quarantine:verbs", "List the messages that could not be used, and why."),
    "watch": ("service.cli.watch:watch", "Follow the values of a topic stage by stage."),
    "discover": ("service.cli.discover:discover", "Listen to a broker, and draft its sources and plant files."),
    "reload": ("service.cli.reload:reload", "Take up the sources file anew, without a restart."),
    "record": ("service.cli.record:record", "Record what a broker sends, exactly as it comes, in a file."),
    "replay": ("service.cli.replay:replay", "Play a recording to a broker, or straight into a new record."),
    "rebuild": ("service.cli.rebuild:rebuild", "Build the history anew from the journal."),
    "verify": ("service.cli.verify:verify", "Look whether the record is whole: every check value, every number."),
    "backup": ("service.cli.backup:backup", "Back up the record while the service runs."),
    "restore": ("service.cli.restore:restore", "Put a backup into a data folder that no service is using."),
    "export": ("service.cli.export:export", "Write readings as Parquet and alarms as JSON lines."),
    "schema": ("service.cli.schema:schema", "Print the JSON Schema of the native message of a gateway."),
}
CODES = "Exit codes:\n" + "\n".join(f"  {code.value}  {meaning}" for code, meaning in MEANINGS.items())


def build() -> App:
    """The command line application."""
    app = App(
        name="dustcake",
        help="Condition monitoring for pulse-jet dust collectors. Advisory only, not a safety function.",
        help_epilogue=CODES,
        help_format="plaintext",
        default_parameter=Parameter(negative=""),
        version_flags=["--version"],
        version=_version,
        result_action="return_value",
    )
    for name, (where, says) in VERBS.items():
        if where.endswith(":verbs"):  # a group of verbs: it must be there for its help to be shown, and is light
            group = import_module(where.removesuffix(":verbs")).verbs
            group.help = says
            app.command(group, name=name)
        else:
            app.command(where, name=name, help=says)
    return app


def run(arguments: list[str]) -> int:
    """Run one command; its exit code. Expected errors end in one sentence on standard error."""
    try:
        result = build()(arguments, exit_on_error=False, print_error=False)
        sys.stdout.flush()
    except CycloptsError as error:
        return _fail(Exit.USAGE, f"{error}\nRun `dustcake --help` for the verbs and their options.")
    except Failure as failure:
        return _fail(failure.code, str(failure))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # whoever read the output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python complains of it at its end
        return 141
    except Exception as error:
        from service.model import BadConfiguration  # noqa: PLC0415 - it brings numpy, which --help must not pay for

        if isinstance(error, BadConfiguration):
            return _fail(Exit.USAGE, str(error))
        raise
    return result if isinstance(result, int) else Exit.OK


def _fail(code: Exit, text: str) -> int:
    lines = text.strip().splitlines()
    sys.stderr.write("dustcake: " + "\n".join(plain(line) for line in lines) + "\n")
    return code


def _version() -> str:
    from importlib.metadata import version  # noqa: PLC0415 - costs more than all else here

    return version("dustcake")
