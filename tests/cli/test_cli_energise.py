"""Nothing real is energised unasked."""

import io

import pytest

from bench.cli.energise import confirm, hazards
from bench.core.errors import UsageError
from bench.spec.model import Boat, Circuit, Spec


class Terminal(io.StringIO):
    def isatty(self):
        return True


def spec():
    loads = {
        "horn": "motor",
        "search_light": "lamp",
        "heater": "resistive",
        "windlass": "relay",
        "stern": "led",
    }
    circuits = {
        name: Circuit(name, "main", k + 1, load, 1.0, light="stern" if name == "stern" else None)
        for k, (name, load) in enumerate(loads.items())
    }
    return Spec(Boat("x"), {}, {}, {}, {}, circuits, {}, {}, ())


def test_what_moves_heats_or_is_a_navigation_light_is_listed_by_name():
    assert hazards(spec()) == [
        "turns, pumps, moves or sounds: horn, windlass "
        "(keep clear; a pump must not run dry; a horn hurts at arm's length)",
        "gets hot: search_light, heater (let nothing lie on it)",
        "navigation lights: stern (cannot be relied on meanwhile; see to them afterwards)",
        "and 1 more circuits go on and off",
    ]


def test_yes_on_a_terminal_lets_the_run_begin():
    ask = Terminal()
    confirm(spec(), yes=False, ask=ask, answer=Terminal("yes\n"))
    assert "horn, windlass" in ask.getvalue()


@pytest.mark.parametrize("said", ["", "\n", "y\n", "no\n"])
def test_any_other_answer_energises_nothing(said):
    with pytest.raises(UsageError, match="not confirmed; nothing was energised"):
        confirm(spec(), yes=False, ask=Terminal(), answer=Terminal(said))


def test_without_a_terminal_it_refuses_and_names_the_option():
    for answer in (io.StringIO("yes\n"), None):
        with pytest.raises(UsageError, match=r"nobody is there .* - if it may, say so: --yes"):
            confirm(spec(), yes=False, ask=io.StringIO(), answer=answer)


def test_the_list_is_printed_with_yes_too():
    ask = io.StringIO()
    confirm(spec(), yes=True, ask=ask, answer=io.StringIO())
    assert "horn, windlass" in ask.getvalue()
