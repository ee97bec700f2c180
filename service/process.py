"""The daemon as a process: its log, its signals, its end. Decides nothing."""

from __future__ import annotations

import faulthandler
import gc
import signal
import sys
import threading

import structlog

from service.model import BadConfiguration
from service.settings import Settings
from service.vigil.output import Steadfast
from service.wiring import Service

log = structlog.get_logger()

GC_ALLOCATIONS = 50_000  # between two looks for reference cycles; a batch alone makes tens of thousands of objects
SWITCH_S = 0.0005  # the network thread gives way at every system call: let it back in sooner than after 5 ms


def run(settings: Settings) -> int:
    """Run until SIGTERM or SIGINT; 0 when it stopped in order, 1 when something in it ended by itself."""
    ended, reloads = threading.Event(), threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    signal.signal(signal.SIGHUP, lambda *_: reloads.set())
    _configure_log(settings)
    faulthandler.enable()  # a watchdog's SIGABRT then leaves in the log where each thread was stuck
    service = Service(settings)
    service.start()
    gc.freeze()  # what is loaded now stays: the collector need not walk it again at every batch
    gc.set_threshold(GC_ALLOCATIONS, 20, 50)
    sys.setswitchinterval(SWITCH_S)
    while not ended.wait(1.0):
        if not service.pipeline.thread.is_alive():
            log.error("the pipeline has ended by itself; stopping, so that whoever supervises the service restarts it")
            service.stop()
            return 1
        if reloads.is_set():
            reloads.clear()
            _reload(service)
    return 0 if service.stop() else 1


def _reload(service: Service) -> None:
    """Take up the sources file as the supervisor asks; a faulty one is told in the log, and the old one stays."""
    try:
        service.reload_sources("the supervisor")
    except (BadConfiguration, RuntimeError) as error:
        log.error("sources not taken up", error=str(error))


def _configure_log(settings: Settings) -> None:
    """One line per event on standard output: JSON for programs, text for people."""
    text = settings.log.form == "text"
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.dev.ConsoleRenderer(colors=False) if text else structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.PrintLoggerFactory(Steadfast(sys.stdout)),  # type: ignore[arg-type]
        wrapper_class=structlog.make_filtering_bound_logger(settings.log.level),
        cache_logger_on_first_use=True,
    )
