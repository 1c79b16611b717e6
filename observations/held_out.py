"""What `refit --report` prints: how well the model would have forecast the club's own later proofs."""

from collections.abc import Iterator
from datetime import datetime

import numpy as np

from club.viewer import working
from observations.evidence import club_taxa, gather_club
from observations.inference import fit
from observations.inference.prediction import MODEL, Held, held_out, scored
from observations.inference.staying import staying

LEAST_LOOKS = 30


def report_lines(moment: datetime) -> Iterator[str]:
    """Yield the lines of the report on club-scope evidence as of a moment. Nothing is stored."""
    with working(moment):
        evidence = gather_club(club_taxa(), moment).evidence
    made = held_out(evidence)
    yield f"Club evidence as of {moment:%Y-%m-%d}: {len(evidence)} rows at {len(np.unique(evidence.spot))} spots."
    methods = scored(evidence, made)
    if not methods:
        yield "No camera or rod look comes after the first part of the evidence: nothing can be held out yet."
        return
    yield (
        "The last 40 % of the camera and rod looks, each forecast from what was known before it (two refits)."
        " Score: mean log probability of what each look found and did not find; nearer to 0 is better."
    )
    if not made.converged:
        yield "A fit behind these forecasts did not converge."
    for held in methods:
        yield from _method_lines(held)
    yield ""
    yield "Presence at consecutive visits to a spot, beyond season and spot (the model takes it as independent):"
    for bin in staying(fit(evidence), evidence):
        if np.isfinite(bin.correlation):
            yield (
                f"  {bin.from_days:3.0f} to {bin.to_days:3.0f} days apart, {bin.pairs:5} pairs:"
                f" correlation {bin.correlation:+.2f} ± {1.96 * bin.error:.2f}"
            )


def _method_lines(held: Held) -> Iterator[str]:
    yield ""
    yield f"{held.method}: {held.looks} looks, {held.findings} findings"
    for score in held.scores:
        if score.name == MODEL:
            yield f"  {score.name:22} {score.log_score:8.4f}"
            continue
        low, high = score.behind - 1.96 * score.error, score.behind + 1.96 * score.error
        word = "better than it" if low > 0 else "worse than it" if high < 0 else "cannot be told apart"
        yield (
            f"  {score.name:22} {score.log_score:8.4f}   the model gains {score.behind:+.4f}"
            f" (95 % {low:+.4f} to {high:+.4f}): {word}"
        )
    if np.isfinite(held.slope):
        error = 1.96 * held.slope_error
        yield f"  calibration slope {held.slope:.2f} ± {error:.2f} (1 is calibrated, less is too sure)"
    if held.looks < LEAST_LOOKS:
        yield f"  Fewer than {LEAST_LOOKS} looks: these figures say little yet."
