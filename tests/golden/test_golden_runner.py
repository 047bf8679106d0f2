"""The reader of golden traces says what is wrong and where, and a wrong sight is found."""

from __future__ import annotations

import pytest
import runner

HEAD = "about: x\nspec: {}\ntraces:\n  - name: one\n    does: |\n"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("5 pres p1", 'bad.yaml:6: cannot read "5 pres p1": expected press, release'),
        ("5 press 1p", '"1p" where a key such as p1 or s21 is due'),
        ("5 sensor f 2", '"2" where 0 or 1 is due'),
        ("5 see lamp.p1=dim", '"dim" where off, on, flashing is due'),
        ("5 see fault.a=1", '"1" where none, tripped, by_hand is due'),
        ("5 see", "see what?"),
        ("5 see glow.a=1", '"glow.a=1" where circuit='),
        ("x see a=1", 'cannot read "x see a=1"'),
        ("5 lost p", 'cannot read "5 lost p"'),
        ("5 wake now", "wake takes nothing more"),
        ("5", 'cannot read "5"'),
    ],
)
def test_a_line_that_cannot_be_read_is_named(line, said):
    with pytest.raises(runner.GoldenError) as e:
        runner.parse_sheet(HEAD + f"      {line}\n", "bad.yaml")
    assert said in str(e.value)
    assert str(e.value).startswith("bad.yaml:6:")


def test_time_that_runs_backwards_is_named():
    with pytest.raises(runner.GoldenError, match=r"bad\.yaml:7: 5 ms comes after 105 ms"):
        runner.parse_sheet(HEAD + "      5 tap p1\n      5 see a=1\n", "bad.yaml")


def test_an_unknown_key_is_named():
    with pytest.raises(runner.GoldenError, match=r'bad\.yaml:2: key "tabels" of a file is unknown'):
        runner.parse_sheet("about: x\ntabels: y\ntraces: []\n", "bad.yaml")


def test_a_trace_without_a_sight_is_refused():
    with pytest.raises(runner.GoldenError, match=r'bad\.yaml:4: trace "one" sees nothing'):
        runner.parse_sheet(HEAD + "      5 tap p1\n", "bad.yaml")


def test_broken_yaml_is_named_with_its_line():
    with pytest.raises(runner.GoldenError, match=r"bad\.yaml:3: no YAML"):
        runner.parse_sheet("about: x\nspec: [\n", "bad.yaml")


def test_a_fragment_replaces_lists_and_merges_mappings():
    laid = runner.lay_over({"a": {"b": "1", "c": ["2"]}, "d": "3"}, {"a": {"c": ["4", "5"]}, "e": "6"})
    assert laid == {"a": {"b": "1", "c": ["4", "5"]}, "d": "3", "e": "6"}
    assert runner.flow(laid) == "{a: {b: 1, c: [4, 5]}, d: 3, e: 6}"


class Stuck:
    """A box on which nothing ever happens."""

    def act(self, t_ns, verb, args):
        pass

    def read(self, t_ns, see):
        return 0.0, 0.0


class Unsure(Stuck):
    """A box that never knows."""

    def read(self, t_ns, see):
        return 0.0, 100.0


@pytest.mark.slow
@pytest.mark.parametrize("box", [Stuck(), Unsure()])
def test_every_trace_finds_a_box_on_which_nothing_happens(box):
    missed = [
        f"{t.file}:{t.line}"
        for s in runner.sheets()
        for t in s.traces
        if not runner.walk(t, runner.spec_of(s), box)
    ]
    assert missed == []


def test_what_is_seen_wrong_names_file_line_and_cell():
    sheet = runner.parse_sheet(
        HEAD.replace("name: one", "name: one\n    cells: [free/on_press]").replace(
            "spec: {}",
            "spec: {circuits: {a: {channel: 1, load: led, rated_a: 1}}, controls: {panel p: {1: a}}}",
        )
        + "      0 tap p1\n      500 see a=100\n",
        "small.yaml",
    )
    wrong = runner.walk(sheet.traces[0], runner.spec_of(sheet), Stuck())
    assert wrong == ['small.yaml:8: "one" at 500 ms: expected a=100, got 0 (free/on_press)']


def test_a_silent_panel_is_lost_after_its_time_and_heard_of_when_back():
    does = "      0 press p1\n      10 lost panel p\n      500 release p1\n      600 press p1\n"
    does += "      700 see a=0\n      2000 back panel p\n"
    spec = "spec: {circuits: {a: {channel: 1, load: led, rated_a: 1}}, controls: {panel p: {1: a}}}"
    sheet = runner.parse_sheet(HEAD.replace("spec: {}", spec) + does, "silent.yaml")
    steps = runner.order(sheet.traces[0], runner.losses(runner.spec_of(sheet)))
    assert [(s.ms, s.verb) for s in steps] == [
        (0, "press"),
        (700, "see"),
        (1010, "lost"),
        (2000, "back"),
        (2000, "release"),
    ]
