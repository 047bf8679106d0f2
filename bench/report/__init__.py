"""One file per output: terminal, HTML, JUnit, CSV and JSON. All are made from one Material."""

from bench.report.material import CAUTIONS, FrameLine, Material, Question, excerpts, questions, step_texts
from bench.report.write import RESULT_FILES, write_results

__all__ = [
    "CAUTIONS",
    "RESULT_FILES",
    "FrameLine",
    "Material",
    "Question",
    "excerpts",
    "questions",
    "step_texts",
    "write_results",
]
