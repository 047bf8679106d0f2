"""What a comparison hands on: plain data for reports and programs."""

from __future__ import annotations

from dataclasses import dataclass, field

SAME, DIFFERENT, CANNOT_TELL = "same", "different", "cannot tell"
EXIT_STATUS = {SAME: 0, DIFFERENT: 1, CANNOT_TELL: 3}
FALSE_SHARE = 0.01  # q of Benjamini-Hochberg, within each family of quantities
WITHIN_RISK = 0.05  # of calling a quantity the same by equivalence though it moved by the floor


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that one session showed and the other did not, after the same stimulus.

    `kind`: boot | state | level | order | timer | lamp | backlight | fault | absent. `a`, `b`: what each
    showed, in words.
    `t_a_ns`, `t_b_ns`: instant of the first such stimulus in each. `times` of `of` such stimuli showed it.
    """

    kind: str
    subject: str
    stimulus: str
    t_a_ns: int
    t_b_ns: int
    a: str
    b: str
    times: int = 1
    of: int = 1


@dataclass(frozen=True, slots=True)
class Shift:
    """A measured quantity of both sessions, and whether it moved by more than noise.

    `family`: circuit delay | control delay | box delay | current | dimming speed. `unit`: of medians,
    `shift` (Hodges-Lehmann, B minus A) and `floor`, below which a shift is no difference. `delta`:
    Cliff's, -1 to 1. `p`: that there is no shift; `p_adjusted`: after Benjamini-Hochberg within the
    family; `least_p`: the smallest so few samples can give; `within_p`: that the shift exceeds the floor
    (None where there are samples enough without). `farthest`: the largest difference of any two that were
    compared: pairs, or all readings of one with all of the other; infinite where single samples say
    little. `seen`: samples of the poorer session before thinning.
    `verdict`: same | different | cannot tell, with `why`.
    """

    family: str
    subject: str
    about: str
    unit: str
    n_a: int
    n_b: int
    median_a: float
    median_b: float
    shift: float
    delta: float
    floor: float
    p: float
    least_p: float
    farthest: float
    seen: int
    within_p: float | None = None
    p_adjusted: float = 1.0
    verdict: str = CANNOT_TELL
    why: str = ""


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two sessions: where it lies, what the box said it was, how much it holds."""

    name: str
    boat: str
    identity: dict[str, str]
    stimuli: int
    jitter_ms: float
    start_ns: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """The whole account. `unmatched_a`, `unmatched_b`: stimuli without a partner, in words with seconds.

    `doubts`: why "same" cannot be said. `not_compared`: subject -> why; scope, not verdict.
    """

    outcome: str
    a: Side
    b: Side
    matched: int
    scope: str
    differences: tuple[Difference, ...] = ()
    shifts: tuple[Shift, ...] = ()
    unmatched_a: tuple[str, ...] = ()
    unmatched_b: tuple[str, ...] = ()
    other_context: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    not_compared: dict[str, str] = field(default_factory=dict)
    methods: dict[str, str] = field(default_factory=dict)


METHODS = {
    "alignment": "longest common sequence of stimuli by kind, name and value, equal context preferred; beyond"
    " 1,000,000 cells difflib's matching blocks",
    "circuit delay": "from stimulus to the first report of state or level, matched pairs B - A; rank-sum"
    " (Mann-Whitney) test of the circuit's differences against those of stimuli that do not touch it, exact"
    " with midranks where affordable; beyond the box delay where that is a difference itself",
    "control delay": "as circuit delay, to the first report of any kind, lamps among them, by control",
    "box delay": "Wilcoxon signed-rank test of all matched differences of a box, one a stimulus",
    "current": "rank-sum (Mann-Whitney) test of settled readings, thinned by the lag-1"
    " autocorrelation of their differences",
    "dimming speed": "rank-sum (Mann-Whitney) test of the speeds of 200 ms pieces of ramps",
    "effect sizes": "Hodges-Lehmann shift (paired: median of Walsh averages), Cliff's delta",
    "many tests": f"Benjamini-Hochberg within each family, false discovery rate {FALSE_SHARE:g}",
    "decision": f"different: adjusted p at most {FALSE_SHARE:g} and shift above the floor; same: shift not"
    " above the floor, and either at least 5 samples and as many as a significant shift needs, or no two"
    " samples further apart than the floor, or equivalence shown (two one-sided rank-sum tests with the floor"
    f" as margin, risk {WITHIN_RISK:g}); else cannot tell",
}
