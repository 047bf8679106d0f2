"""Two sessions side by side: what differs, and whether it is more than noise."""

from .compare import compare_records
from .observe import Record, observe
from .result import CANNOT_TELL, DIFFERENT, EXIT_STATUS, SAME, Comparison, Difference, Shift, Side

__all__ = [
    "CANNOT_TELL",
    "DIFFERENT",
    "EXIT_STATUS",
    "SAME",
    "Comparison",
    "Difference",
    "Record",
    "Shift",
    "Side",
    "compare_records",
    "observe",
]
