"""A person at a real terminal (a pseudo-terminal) and a box in a process of its own, worked by hand."""

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from bench.core.entry import Answered, Asked
from bench.core.plan import Plan
from bench.lab.api import load_boat
from bench.plan.by_hand import with_by_hand
from bench.plan.look import with_looks
from bench.run.plan_file import plan_text
from bench.session import open_session

pty = pytest.importorskip("pty")
ROOT = Path(__file__).parents[2]
HARDSTAND = [sys.executable, "-m", "bench.cli"]
pytestmark = [pytest.mark.realtime, pytest.mark.slow]
WAIT_S = 60.0
CIRCUITS = ("cabin_red", "deck_fwd")
ENDS = "A comment may follow the word."


class Bench:
    """A served box that can be worked by hand, and a run at a terminal of its own."""

    def __init__(self, folder, made):
        plan = folder / "plan.json"
        plan.write_text(plan_text(replace(made, not_tested={})), encoding="utf-8")
        self.out = folder / "session"
        self.box = subprocess.Popen(
            [*HARDSTAND, "twin", "demo"], cwd=ROOT, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        port = self.box.stdout.readline().strip()
        words = ["run", "demo", "--on", f"slcan:{port}", "--plan", str(plan), "--yes", "--out", str(self.out)]
        self.screen, keyboard = pty.openpty()
        self.run = subprocess.Popen(
            [*HARDSTAND, *words, "--answer-within", "20"], cwd=ROOT, start_new_session=True,
            stdin=keyboard, stderr=keyboard, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        os.close(keyboard)
        self.shown = ""

    def wait_for(self, text):
        """Reads the screen until `text` stands on it, and forgets what came before."""
        deadline_s = time.monotonic() + WAIT_S
        while text not in self.shown:
            assert time.monotonic() < deadline_s, f"{text!r} never came: {self.shown[-500:]}"
            ready, _, _ = select.select([self.screen], [], [], 0.2)
            if ready:
                self.shown += self.more()
        before, _, self.shown = self.shown.partition(text)
        return " ".join(f"{before}{text}".split())

    def more(self):
        try:
            return os.read(self.screen, 65_536).decode()
        except OSError:
            raise AssertionError(f"the run has ended: {self.shown[-500:]}") from None

    def type(self, line):
        os.write(self.screen, f"{line}\n".encode())

    def hand(self, word, channel):
        self.box.stdin.write(f"{word} main {channel}\n")
        self.box.stdin.flush()

    def end(self):
        """(exit status, standard output)"""
        out, _ = self.run.communicate(timeout=WAIT_S)
        return self.run.returncode, out

    def answers(self):
        return [(m.answer, m.comment) for m in open_session(self.out).entries() if isinstance(m, Answered)]


@pytest.fixture
def bench(tmp_path, request):
    spec, empty = load_boat("demo").spec, Plan("a person", (), 300.0)
    looks = getattr(request, "param", ())
    plan = with_looks(spec, empty, looks) if looks else with_by_hand(spec, empty, reached=CIRCUITS)
    made = Bench(tmp_path, plan)
    yield made
    for process in (made.run, made.box):
        if process.poll() is None:
            process.kill()
        process.communicate()
    os.close(made.screen)


@pytest.mark.alone
def test_a_person_works_two_circuits_by_hand_and_the_box_passes(bench):
    bench.wait_for("a person works at the live box")
    for channel in (3, 9):
        asked = bench.wait_for(ENDS)
        assert re.search(rf"\(box main, channel {channel}, fuse of [35] A\): move its fuse from", asked)
        assert "Nothing is sent to the boxes until you answer." in asked
        for word in ("maybe", "", "y" * 3000):
            bench.type(word)
            bench.wait_for(ENDS)
        bench.hand("by hand", channel)
        bench.type("yes bright")
        assert "move its fuse back to the normal seat" in bench.wait_for(ENDS)
        bench.hand("back", channel)
        bench.type("y")
    status, out = bench.end()
    assert (status, out.split(":")[0]) == (0, "PASS"), out
    assert bench.answers() == [("done", "bright"), ("done", "")] * 2
    facts = json.loads((bench.out / "session.json").read_text(encoding="utf-8"))
    assert facts["person"] == "at the terminal"


@pytest.mark.alone
@pytest.mark.parametrize("bench", [("panel helm", "horn", "labels")], indirect=True)
def test_a_person_looks_listens_and_reads_and_the_box_passes(bench):
    for shown in ("Lit: none.", "Lit: key 1 (navigation), key 2 (deck), key 6", "Ready?", "did it come on"):
        assert shown in bench.wait_for(ENDS)
        bench.type("y")
    assert "What serial number does it bear?" in bench.wait_for("Type what it says, or skip, then Enter.")
    bench.type("S/N 001042, rev. B")
    status, out = bench.end()
    assert (status, out.split(":")[0]) == (0, "PASS"), out
    assert bench.answers()[-1] == ("done", "S/N 001042, rev. B")
    assert "3 looks by a person" in " ".join(out.split())


def test_whoever_closes_the_terminal_makes_it_inconclusive_and_nothing_hangs(bench):
    bench.wait_for("Question 1")
    bench.type("\x04")
    status, out = bench.end()
    assert (status, out.split(":")[0]) == (3, "INCONCLUSIVE"), out
    assert bench.answers()[0] == ("no_answer", "the input has ended")
    bench.wait_for("deck_fwd may still be by hand and on")


def test_ctrl_c_at_a_question_switches_off_and_says_what_may_still_be_on(bench):
    bench.wait_for("Question 1")
    bench.run.send_signal(signal.SIGINT)
    bench.wait_for("Question 1 is over: the run ends.")
    status, _ = bench.end()
    assert status == 130
    session = open_session(bench.out)
    assert [type(m) for m in session.entries() if isinstance(m, Asked | Answered)] == [Asked]
    assert session.header["safe_off"]["stays_on"] == []
    assert "may still be by hand and on" in session.header["warnings"][0]
