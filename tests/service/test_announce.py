"""A gateway's silence is told to everybody who hears any of its collectors, once."""

from __future__ import annotations

import pytest

from rules.silence import SilenceChange, SilenceEvent
from service.announce import Announcer, Label
from service.evaluate.evaluator import Judged
from service.notify.routes import Contact

LABEL = Label("Hall", "Quay", "Europe/Dublin", "differential pressure", "Pa", float)
SILENT = SilenceEvent("a1", "gw-1", SilenceChange.RAISED, 9, 5, 9, ("c-1 dp", "c-2 dp"), "no good reading")


def announcer(*contacts: Contact) -> Announcer:
    labels = {(f"quay/hall/c-{n}", "dp"): LABEL for n in (1, 2)}
    return Announcer(labels, {"gw-1": ["quay/hall/c-1", "quay/hall/c-2"]}, contacts, [])


@pytest.mark.parametrize("heard", ["quay/hall/c-1", "quay/hall/c-2", "quay/*"])
def test_silence_reaches_whoever_hears_one_of_the_gateways_collectors_once(heard: str) -> None:
    contact = Contact("lead", "Lead", (("mail", "lead@alder-pike.example"),), (heard,))
    changes, owed = announcer(contact).announce(Judged(silences=[SILENT]), plant_us=10)
    assert [change.tier for change in changes] == ["no-data"]
    assert [(item.contact, item.told.step) for item in owed] == [("lead", "no-data")]


def test_silence_is_not_told_to_whoever_hears_none_of_them() -> None:
    contact = Contact("lead", "Lead", (("mail", "lead@alder-pike.example"),), ("quay/yard/*",))
    assert announcer(contact).announce(Judged(silences=[SILENT]), plant_us=10)[1] == ()


def test_a_test_for_a_contact_that_is_not_there_is_a_key_error() -> None:
    with pytest.raises(KeyError, match="nobody"):
        announcer().test("nobody", 1)
