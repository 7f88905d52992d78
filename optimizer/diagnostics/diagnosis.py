"""The command ``diagnose``: runs every diagnostic on every line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.diagnostics.calibration import calibrate
from optimizer.diagnostics.doubtful import doubtful, residuals
from optimizer.diagnostics.drift import drifts
from optimizer.diagnostics.noise import lack_of_fit, split_noise
from optimizer.diagnostics.record import Diagnosis, LineDiagnosis
from optimizer.diagnostics.sensitivity import sensitivity
from optimizer.diagnostics.unexplored import collinear, plan_sampling, untried_ranges
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.cautions import of_other_labels
from optimizer.evidence.line_model import LineModel
from optimizer.evidence.unlogged import unlogged
from optimizer.history.snapshot import snapshot_of
from optimizer.plant.brief import Brief
from optimizer.plant.profiles import profiles_of
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    import pyarrow as pa

    from optimizer.history.snapshot import Source
    from optimizer.model.fitted_surrogate import FittedSurrogate

    Progress = Callable[[str], None]

# With fewer measured runs than this, leaving out runs and judging them is not possible.
FEWEST_RUNS = 8


def diagnose(
    history: Source,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    lines: Sequence[str] | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> Diagnosis:
    """Runs every diagnostic on each line of a history.

    Args:
        history: the history, whose latest version is used; or one version of it (``History.at``);
            or its runs as a table in the site's units.
        site: the plant; the defaults when None.
        brief: today's material, grade and limits; the defaults when None. Its line, when named,
            is the only one diagnosed.
        lines: names of the lines to diagnose; all of them when None.
        seed: seed of all random draws.
        progress: called with a line of text at each stage.

    Returns:
        The diagnoses of the lines, and the lines that have too few runs.

    Raises:
        InputError: when a line has no runs, or the brief names something that the site lacks.
        HistoryError: when the history cannot be read.
    """
    site = site or Site()
    brief = (brief or Brief()).check_names(site)
    say = progress or (lambda _: None)
    snapshot = snapshot_of(history, site)
    found, skipped = [], []
    with threadpool_limits(1):
        for line in snapshot.chosen_lines(lines or ([brief.line] if brief.line else None)):
            say(sentence("stage_diagnosing", line=line))
            runs = snapshot.runs(site, [line])
            result = diagnose_line(runs, site, brief.model_copy(update={"line": line}), seed)
            if isinstance(result, str):
                skipped.append((line, result))
            else:
                found.append(result)
    return Diagnosis(tuple(found), tuple(skipped), seed, snapshot.version)


def diagnose_line(
    runs: pa.Table, site: Site, brief: Brief, seed: int, fitted: FittedSurrogate | None = None
) -> LineDiagnosis | str:
    """Runs every diagnostic on one line.

    Args:
        runs: runs of the line, in the site's units.
        site: the plant.
        brief: names the line and states today's material, grade and limits.
        seed: seed of all random draws.
        fitted: a surrogate that is already fitted to these runs; it is fitted here when None.

    Returns:
        The diagnosis; or a text that says why there is none.
    """
    e = evidence_of(runs, site, brief)
    measured = int(e.measured.sum())
    if measured < FEWEST_RUNS:
        return sentence("few_runs_for_answer", runs=measured, needed=FEWEST_RUNS)
    model = LineModel(e, seed, fitted)
    region = brief.region(e.space)
    asked = brief.goal.min_grade
    min_grade = float(np.median(e.grade[e.measured])) if asked is None else asked
    off = residuals(model)
    profiles = profiles_of(e.space)
    recent = profiles.values(model.recent_settings[None, :])[0] * profiles.told_by
    return LineDiagnosis(
        line=e.line,
        runs=len(e.grade),
        measured=measured,
        set_points=e.set_points,
        recent=dict(zip(profiles.names, map(float, recent), strict=True)),
        units=dict(zip(profiles.names, (s.unit for s in e.space.settings), strict=True)),
        spans=dict(zip(profiles.names, profiles.span.tolist(), strict=True)),
        min_grade=min_grade,
        calibration=calibrate(model, min_grade),
        noise=split_noise(model),
        lack_of_fit=lack_of_fit(model),
        sensitivity=sensitivity(model),
        collinear=collinear(model),
        untried=untried_ranges(model, region),
        sampling=plan_sampling(model, region),
        drift=drifts(model),
        unlogged=unlogged(model.surrogate, e, model.recent_inputs),
        residuals=off,
        doubtful=doubtful(model, off, runs["run_id"]),
        favored=model.surrogate.favored_,
        warnings=(*e.warnings, *of_other_labels(e, model.surrogate.agreement_)),
    )
