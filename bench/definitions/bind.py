"""Joins one box's definitions, its binding and the spec."""

from __future__ import annotations

from dataclasses import dataclass

from bench.core.errors import Complaint
from bench.spec.model import Box, Spec

from .bind_controls import ControlBinder, Controls
from .bind_reports import ReportBinder, Reports
from .binding import Binding
from .database import Database
from .nodes import check_nodes, give_names
from .resolve import Resolver


@dataclass(frozen=True, slots=True)
class Bound:
    """Everything that one box's binding gives; not to be used when there are complaints."""

    reports: Reports
    controls: Controls
    complaints: tuple[Complaint, ...]
    warnings: tuple[Complaint, ...]


def bind_box(spec: Spec, box: Box, db: Database, binding: Binding) -> Bound:
    """Binds one box. `binding` is changed: nodes named by number get the spec's names besides."""
    names = Resolver(db, binding)
    give_names(spec, box, binding, names)
    check_nodes(spec, binding, names)
    reports = ReportBinder(spec, box, binding, names).run()
    controls = ControlBinder(spec, box, binding, names).run()
    return Bound(reports, controls, tuple(names.complaints), tuple(names.warnings))
