"""Keys that a plan presses at a stroke, by what its steps say."""

STIMULI = ("press", "release", "sensor", "supply", "wake", "silent")


def strokes(plan):
    """Numbers of the presses of each stroke, and those of their releases."""
    found, down = [], {}
    for n, step in enumerate(plan.steps):
        tagged = any(t.startswith("burst ") for t in step.covers)
        if step.kind == "press":
            down[step.name] = n if tagged else None
            if tagged and (not found or plan.steps[found[-1][-1]].at_ms < step.at_ms - 20):
                found.append([])
            if tagged:
                found[-1].append(n)
    ends = [[] for _ in found]
    for presses, releases in zip(found, ends, strict=True):
        names = {plan.steps[n].name for n in presses}
        for n in range(presses[-1], len(plan.steps)):
            if plan.steps[n].kind == "release" and plan.steps[n].name in names:
                names.remove(plan.steps[n].name)
                releases.append(n)
    return list(zip(found, ends, strict=True))


def apart(plan):
    """Instants of all stimuli, each stroke counted once, by its first."""
    later = {n for both in strokes(plan) for part in both for n in part[1:]}
    return [s.at_ms for n, s in enumerate(plan.steps) if s.kind in STIMULI and n not in later]
