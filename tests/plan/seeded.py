"""A plan run on the virtual box of its boat with one fault, to the first discrepancy."""

from bench.lab.api import boat_tables, run_virtual
from bench.run.api import Wishes
from bench.twin import Fault


def seeded(boat, plan, kind, argument):
    """The verdict."""
    tables, wishes = boat_tables(boat.spec.boat.name), Wishes(plan=plan, until_first=True)
    return run_virtual(boat=boat, tables=tables, faults=(Fault(kind, argument),), wishes=wishes).verdict
