"""Deviations fold under one root; nothing is dropped; separate faults stay separate."""

from dataclasses import replace

import pytest

from bench.assess.fold import Folder, Mark
from bench.core.verdict import Deviation


def deviation(signal, *, t_ms, cause_ms=None, control="", kind="missing"):
    return Deviation(
        kind,
        signal,
        signal.partition(":")[2],
        t_ms * 10**6,
        "on",
        "off",
        cause_t_ns=None if cause_ms is None else cause_ms * 10**6,
        cause_control=control,
    )


def add(
    folder, signal, *, t_ms, cause, cause_ms, control, clusters, targeted=False, kind="missing", box="main"
):
    folder.add(
        deviation(signal, t_ms=t_ms, cause_ms=cause_ms, control=control, kind=kind),
        Mark(clusters=clusters, causes=(cause,), control=control, targeted=targeted, box=box),
    )


def test_the_circuit_that_was_meant_is_named_before_the_one_that_came_on_instead():
    folder = Folder()
    add(folder, "state:pump", t_ms=1020, cause=1, cause_ms=1000, control="panel helm 3", clusters=(5,))
    add(
        folder,
        "state:horn",
        t_ms=1104,
        cause=1,
        cause_ms=1000,
        control="panel helm 3",
        clusters=(2,),
        targeted=True,
    )
    add(folder, "lamp:panel helm 3", t_ms=1104, cause=1, cause_ms=1000, control="panel helm 3", clusters=(2,))
    (only,) = folder.discrepancies()
    assert (only.subject, only.also) == ("horn", ("pump", "panel helm 3"))
    assert len(only.consequences) == 2


def test_what_follows_in_the_same_cluster_is_a_consequence():
    folder = Folder()
    add(folder, "state:horn", t_ms=1104, cause=1, cause_ms=1000, control="panel helm 3", clusters=(2,))
    add(folder, "state:horn", t_ms=5104, cause=9, cause_ms=5000, control="screen helm 23", clusters=(2,))
    assert [(d.subject, len(d.consequences)) for d in folder.discrepancies()] == [("horn", 1)]


def test_faults_of_other_controls_and_clusters_stay_apart():
    folder = Folder()
    add(folder, "state:horn", t_ms=1104, cause=1, cause_ms=1000, control="panel helm 3", clusters=(2,))
    add(folder, "state:pump", t_ms=5104, cause=9, cause_ms=5000, control="panel helm 5", clusters=(4,))
    assert [d.subject for d in folder.discrepancies()] == ["horn", "pump"]
    assert [d.number for d in folder.discrepancies()] == [1, 2]


def test_nothing_is_dropped():
    folder = Folder()
    for i in range(40):
        add(
            folder,
            f"state:c{i % 7}",
            t_ms=1000 + i,
            cause=i // 3 + 1,
            cause_ms=990 + i // 3,
            control=f"panel helm {i % 5}",
            clusters=(i % 7,),
        )
    assert sum(1 + len(d.consequences) for d in folder.discrepancies()) == 40


def test_two_circuits_that_draw_each_others_current_are_one_finding():
    folder = Folder()
    for name, seen, band, cluster in (
        ("a", 4.3, (0.3, 0.5), 1),
        ("b", 0.4, (3.0, 5.9), 2),
        ("c", 9.0, (1, 2), 3),
    ):
        folder.add(
            deviation(f"current:{name}", t_ms=1000, kind="current"),
            Mark(clusters=(cluster,), amps=(seen, *band)),
        )
    assert [(d.subject, d.also) for d in folder.discrepancies()] == [("a", ("b",)), ("c", ())]


def test_a_box_that_answers_late_everywhere_is_one_finding_about_the_box():
    folder = Folder()
    for n in range(4):
        common = {"cause": n + 1, "cause_ms": 1000 * n, "control": f"panel helm {n}", "clusters": (n,)}
        add(folder, f"state:c{n}", t_ms=1000 * n + 104, **common)
        add(folder, f"state:c{n}", t_ms=1000 * n + 300, kind="late", **common)
    (only,) = folder.discrepancies()
    assert (only.subject, only.root.kind, only.root.seen) == (
        "main",
        "late",
        "4 circuits and keys shown late",
    )
    assert len(only.consequences) == 8


def test_two_late_circuits_are_no_late_box():
    folder = Folder()
    for n in range(2):
        common = {"cause": n + 1, "cause_ms": 1000 * n, "control": f"panel helm {n}", "clusters": (n,)}
        add(folder, f"state:c{n}", t_ms=1000 * n + 104, **common)
        add(folder, f"state:c{n}", t_ms=1000 * n + 300, kind="late", **common)
    assert [d.subject for d in folder.discrepancies()] == ["c0", "c1"]


def led(folder, subject, *, t_ms, seen="off", leaders=(), targeted=False):
    wrong = replace(deviation(f"state:{subject}", t_ms=t_ms, cause_ms=1000), seen=seen)
    folder.add(wrong, Mark(clusters=(1,), leaders=leaders, targeted=targeted))


def test_a_circuit_that_went_along_with_one_it_follows_is_not_named_first():
    folder = Folder()
    led(folder, "locker", t_ms=1100, leaders=("pump",), targeted=True)
    led(folder, "pump", t_ms=1100)
    assert [(d.subject, d.also) for d in folder.discrepancies()] == [("pump", ("locker",))]


@pytest.mark.parametrize(("seen", "t_ms"), [("on", 1100), ("off", 3000)])
def test_a_circuit_that_went_another_way_or_earlier_than_the_one_it_follows_is_named(seen, t_ms):
    folder = Folder()
    led(folder, "pump", t_ms=t_ms, seen=seen)
    led(folder, "locker", t_ms=1100, leaders=("pump",), targeted=True)
    assert [d.subject for d in folder.discrepancies()] == ["locker"]


def test_a_state_that_was_missed_and_shows_in_the_level_afterwards_is_late():
    folder = Folder()
    for n in range(4):
        common = {"cause": n + 1, "cause_ms": 1000 * n, "control": f"panel helm {n}", "clusters": (n,)}
        add(folder, f"state:c{n}", t_ms=1000 * n + 104, **common)
        gone = deviation(f"level:c{n}", t_ms=1000 * n + 300, kind="unexpected")
        mark = Mark(clusters=(n,), causes=(n + 1,), box="main")
        folder.add(replace(gone, expected="off", seen="on"), mark)
    assert [d.root.seen for d in folder.discrepancies()] == ["4 circuits and keys shown late"]


@pytest.mark.parametrize(("keys", "subject"), [(4, "main"), (1, "c0")])
def test_a_box_late_at_several_keys_is_one_even_where_all_came_about_together(keys, subject):
    folder = Folder()
    for n in range(4):
        at_ms = 1000 + 10 * n
        common = {"cause": 1, "cause_ms": at_ms, "control": f"panel helm {n % keys}", "clusters": (n,)}
        add(folder, f"state:c{n}", t_ms=at_ms + 104, **common)
        add(folder, f"state:c{n}", t_ms=at_ms + 300, kind="late", **common)
    (only,) = folder.discrepancies()
    assert (only.subject, len(only.consequences)) == (subject, 8 if keys > 1 else 7)
