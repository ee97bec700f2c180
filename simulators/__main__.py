"""The door of the simulators: `python -m simulators plant ...` and `python -m simulators mailbox ...`."""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
import threading
import time
from pathlib import Path

from simulators import mailbox
from simulators.faults import CATALOGUE, parse_fault
from simulators.fleet import Fleet, PlantClock
from simulators.link import Broker
from simulators.scenario import load


def main(arguments: list[str] | None = None) -> int:
    """Run one command; 0 when it ended in order, 2 when it could not start."""
    options = _parser().parse_args(arguments)
    try:
        if options.command == "plant":
            _plant(options)
        else:
            _mailbox(options)
    except (ValueError, OSError, RuntimeError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


def _plant(options: argparse.Namespace) -> None:
    scenario = load(options.scenario)
    ids = [each.id for each in scenario.collector]
    faults = [*scenario.faults(), *(parse_fault(text, ids) for text in options.fault)]
    wall = time.time() if options.wall_anchor is None else options.wall_anchor
    clock = PlantClock(options.speed, wall, wall if options.plant_anchor is None else options.plant_anchor)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    fleet = Fleet(scenario, faults, _broker(options), clock, seed=options.seed)
    _say({"plant": "playing", "scenario": options.scenario, "start": fleet.start_s, "collectors": ids})
    fleet.play(stop, for_s=options.for_s)
    _say({"plant": "stopped", **fleet.counts()})


def _mailbox(options: argparse.Namespace) -> None:
    key = mailbox.secret_key(options.secret_file.read_text(encoding="utf-8"))
    asyncio.run(mailbox.serve(options.folder, key, smtp_port=options.smtp_port, hook_port=options.hook_port))


def _broker(options: argparse.Namespace) -> Broker:
    host, colon, port = options.broker.rpartition(":")
    if not colon or not port.isdigit() or not 0 < int(port) < 65_536:
        raise ValueError(f"--broker {options.broker!r} is not usable; expected HOST:PORT such as 127.0.0.1:1883")
    password = None if options.password_file is None else options.password_file.read_text(encoding="utf-8").strip()
    return Broker(host.strip("[]"), int(port), options.mqtt, options.username, password)


def _say(line: dict[str, object]) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        raise ValueError(text)
    return value


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulators", description="Demo collectors and a demo mailbox.")
    commands = parser.add_subparsers(dest="command", required=True)
    plant = commands.add_parser(
        "plant",
        help="play a scenario to an MQTT broker",
        epilog=f"Faults: {', '.join(sorted(CATALOGUE))}.",
    )
    plant.add_argument("--broker", default="127.0.0.1:1883", metavar="HOST:PORT")
    plant.add_argument("--mqtt", type=int, choices=(3, 5), default=5, help="protocol version (3 is 3.1.1)")
    plant.add_argument("--username")
    plant.add_argument("--password-file", type=Path)
    plant.add_argument("--scenario", default="demo", help="name of a scenario, or a path ending in .toml")
    plant.add_argument("--speed", type=_positive, default=1.0, help="plant seconds per wall second")
    plant.add_argument("--wall-anchor", type=float, metavar="UNIX_S", help="default: now")
    plant.add_argument("--plant-anchor", type=float, metavar="UNIX_S", help="default: the wall anchor")
    plant.add_argument(
        "--fault", action="append", default=[], metavar="NAME@COLLECTOR+HOURS[+FOR_HOURS]",
        help="one more fault, in plant hours from the start; may be repeated",
    )  # fmt: skip
    plant.add_argument("--for", dest="for_s", type=_positive, metavar="SECONDS", help="stop after this wall time")
    plant.add_argument("--seed", type=int, default=1)
    box = commands.add_parser("mailbox", help="receive emails and webhooks on loopback and keep them as files")
    box.add_argument("--smtp-port", type=int, default=0, help="0 takes a free port")
    box.add_argument("--hook-port", type=int, default=0, help="0 takes a free port")
    box.add_argument("--folder", type=Path, required=True)
    box.add_argument("--secret-file", type=Path, required=True, help="the webhook secret, whsec_...")
    return parser


if __name__ == "__main__":
    sys.exit(main())
