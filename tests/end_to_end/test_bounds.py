"""The daemon under an explosion of names and under huge messages: memory and disk are bounded, others are served."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.receive.mqtt import CUT_BYTES, READ_BYTES
from service.store.quarantine import PAYLOAD_KEPT_BYTES
from tests.fuzz import explosion

TOPICS = 20_000
GROWN_MOST_MIB = 60.0  # from the 3,000th message on; one that keeps 1 KiB of each would grow by 17 and go on


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_names_that_nobody_registered_cost_bounded_memory_and_disk_and_no_other_collectors_readings(
    tmp_path: Path,
) -> None:
    outcome = explosion.explode(tmp_path, TOPICS)
    assert outcome.sound_kept == outcome.sound_sent == 2 * TOPICS // explosion.SOUND_EVERY
    assert outcome.resident_end - outcome.resident_warm < GROWN_MOST_MIB, outcome
    assert outcome.disk * 2**20 < TOPICS * explosion.ROW_MOST_BYTES, outcome
    assert outcome.refused == {
        "refused gateway-unknown": len(range(0, TOPICS, 6)),
        "refused tag-unknown": len(range(1, TOPICS, 6)),
        "refused unit-refused": len(range(2, TOPICS, 6)),
    }
    assert outcome.is_ready


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_a_huge_message_is_cut_with_mqtt_3_and_stays_at_the_broker_with_mqtt_5(tmp_path: Path) -> None:
    """3.1.1 has no limit that a client could set; 5.0 has Maximum Packet Size, 3.1.2.11.4."""
    mib = 96
    (tmp_path / "3").mkdir()
    (tmp_path / "5").mkdir()
    three, five = explosion.huge(tmp_path / "3", mib, 3), explosion.huge(tmp_path / "5", mib, 5)
    ((code, size, kept, reason),) = three.quarantine
    assert (code, kept) == ("message-invalid", PAYLOAD_KEPT_BYTES)
    assert reason.startswith("message of ")
    assert CUT_BYTES - 2**16 <= size <= CUT_BYTES + READ_BYTES
    assert three.above_mib < 200
    assert five.quarantine == []
    assert five.above_mib < 60
