"""`hardstand links` and `hardstand probe`."""

import json

import can
import pytest

from bench.cli import main
from bench.cli.probing import Listening
from bench.core.entry import AdapterLate, Dropped, LinkLost
from bench.core.frame import TX, Frame
from bench.link.found import Found, system_interfaces

MS = 1_000_000


def test_links_as_json_names_each_as_a_run_takes_it(capsys):
    assert main(["links", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["status"] == 0
    assert all(":" in found["link"] and found["about"] for found in document["links"])


def test_links_are_shown_or_said_to_be_absent(capsys, monkeypatch):
    monkeypatch.setattr("bench.link.found.found_links", list)
    assert main(["links"]) == 0
    assert "was found: plug one in" in capsys.readouterr().out
    monkeypatch.setattr("bench.link.found.found_links", lambda: [Found("slcan:COM5", "serial port: x")])
    assert main(["links"]) == 0
    assert "slcan:COM5" in capsys.readouterr().out


def test_interfaces_of_the_system_are_told_by_their_type(tmp_path):
    """Source: ARPHRD_CAN is 280 in Linux's if_arp.h; bit 0 of flags is IFF_UP."""
    for name, kind, flags in (("can1", "280", "0x41"), ("can0", "280", "0x40"), ("eth0", "1", "0x1003")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(kind + "\n")
        (tmp_path / name / "flags").write_text(flags + "\n")
    assert system_interfaces(tmp_path) == [
        Found("socketcan:can0", "CAN interface, down"),
        Found("socketcan:can1", "CAN interface, up"),
    ]


def test_listening_counts_what_came_and_what_did_not():
    listening = Listening()
    listening.add(
        [
            Frame(0, 0x123, b"\x01", False),
            Frame(10 * MS, 0x123, b"\x02", False),
            Frame(40 * MS, 0x123, b"\x03", False),
            Frame(41 * MS, 0x123, b"\x04", False, TX),
            Frame(42 * MS, 0x20, bytes(8), error=True),
            Dropped(43 * MS, "queue", 5),
            AdapterLate(43 * MS, 31.5),
            AdapterLate(43 * MS, 20.0),
            LinkLost(44 * MS, "unplugged"),
        ]
    )
    heard = listening.heard["123"]
    assert (heard.frames, heard.least_ms, heard.most_ms, heard.latest) == (3, 10.0, 30.0, "03")
    assert (listening.error_frames, listening.lost, listening.ended) == (1, 5, "unplugged")
    assert listening.adapter_late_ms == 31.5
    assert (listening.nominal_bits, listening.worst_bits) == (3 * 55, 3 * 65)


@pytest.mark.realtime
@pytest.mark.slow
def test_probe_says_what_is_alive(capsys):
    with can.Bus("probed", interface="virtual") as bus:
        task = bus.send_periodic(can.Message(arbitration_id=0x18FF2021, data=b"\x07"), 0.02)
        assert main(["probe", "virtual:probed", "--for", "0.5", "--json"]) == 0
        task.stop()
    document = json.loads(capsys.readouterr().out)
    (heard,) = document["identifiers"]
    assert (heard["identifier"], heard["latest"]) == ("18FF2021", "07")
    assert heard["frames"] > 3
    assert document["lost"] == 0


def test_a_silent_link_is_said_to_be_silent(capsys):
    assert main(["probe", "virtual:silent", "--for", "0.1"]) == 0
    out = capsys.readouterr().out
    assert "nothing was heard: check the bit rate" in out
    assert "this link cannot tell whether an adapter, hub or driver holds frames back" in out


def test_a_link_that_cannot_be_opened_ends_in_status_3(capsys):
    assert main(["probe", "slcan:/nonexistent/port"]) == 3
    assert "does not exist" in capsys.readouterr().err
