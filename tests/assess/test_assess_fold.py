"""Deviations fold under one root; nothing is dropped; separate faults stay separate."""

from bench.assess.fold import Folder
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


def add(folder, signal, *, t_ms, cause, cause_ms, control, clusters, targeted=False):
    return folder.add(
        deviation(signal, t_ms=t_ms, cause_ms=cause_ms, control=control),
        clusters=clusters,
        cause=cause,
        control=control,
        targeted=targeted,
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
