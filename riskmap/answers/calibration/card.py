"""The card of a calibration: what was compared, how well left-out surveys were predicted, what was refused and why."""

from __future__ import annotations

from riskmap.answers.calibration import CAUTION_CALIBRATED, blocks, crossval, fitting, physical
from riskmap.answers.calibration.model_file import FactorEntry, LayerEntry, Model
from riskmap.answers.survey import CAUTION_SURVEY
from riskmap.answers.survey.contradictions import AS_BUILT_MM
from riskmap.answers.survey.expected import AS_BUILT_DOME_SD_MM
from riskmap.common.errors import counted
from riskmap.common.wording import CAUTION, STANDING

_NAMES = {"restraint": "share of free movement that becomes uplift (restraint)",
          "equilibrium_shift_pf": "covered equilibrium, shift", "diffusivity_m2_per_yr": "diffusivity",
          "stiffness_score": "slab stiffness, in sd of its logarithm", "wet_limit_pf": "wet limit of the surface",
          "dry_limit_pf": "dry limit of the surface"}


_OF = {"bending": "houses with a survey of the bending itself", "change": "changes between two dates",
       "bending_from_changes": "bending of houses with changes only"}


def text(model: Model, put_to: tuple[str, str] | None = None) -> str:
    """Return the card as Markdown.

    `put_to` is the area and month of another run, if the card is for the lots of that run.
    """
    title = f"# Calibration of {model.run.area}, {model.run.today}"
    return "\n\n".join([title, *answer(model), details(model, put_to)]) + "\n"


def details(model: Model, put_to: tuple[str, str] | None = None) -> str:
    """Return the text below the answer."""
    parts = [_head(model), _put_to(put_to), _compared(model), _errors(model), _coverage(model), _parameters(model),
             _sources(model), _aside(model), _method(model), _cautions(model)]
    return "\n\n".join(part for part in parts if part)


def answer(model: Model) -> list[str]:
    """Return in words what was found, with its range: the first one or two sentences of the card."""
    of = {factor.of: factor for factor in model.factors}
    layer = model.statistical if model.statistical.on else model.physical
    error = (f"; the error of surveys that were left out fell from {_mm(model.uncalibrated_error_mm)} to "
             f"{_mm(layer.blocked_error_mm)} mm." if model.physical.on else ".")
    bending, change, guess = (of.get(name) for name in ("bending", "change", "bending_from_changes"))
    lines = []
    if not model.physical.on:
        reasons = " ".join(f"{r.text[:1].upper()}{r.text[1:]}" for r in model.refused if r.layer == "physical")
        lines.append(f"No estimate is changed: the calibration is off. {reasons}")
    if bending is not None:
        lines.append(f"Houses surveyed here bend about {_times(bending)} times as much as modelled "
                     f"({_between(bending)}){error}")
    elif change is not None:
        if guess is not None:
            lines.append(f"Houses surveyed here may bend {_between(guess)} times as much as modelled: changes between "
                         "two dates do not show how far a slab bends in all. One survey of the bending itself, of the "
                         "same houses, shows it.")
        lines.append(f"The changes were about {_times(change)} times as large as modelled ({_between(change)}){error}")
    if model.factors:
        lines.append("The figures in brackets are 80 % ranges." if guess is None or bending is not None else
                     "Each pair of figures is an 80 % range.")
    return lines


def _times(factor: FactorEntry) -> str:
    return f"{factor.factor + 0.0:.1f}"


def _between(factor: FactorEntry) -> str:
    return f"{factor.low + 0.0:.1f} to {factor.high + 0.0:.1f}"


def standing(model: Model) -> str:
    """Return the line on how far to trust the estimates.

    It replaces `results.STANDING` once the physical layer is on.
    """
    if not model.physical.on:
        return STANDING
    layer = model.statistical if model.statistical.on else model.physical
    return (f"Calibrated against surveys of {counted(model.counts.houses, 'house')} in "
            f"{counted(model.counts.blocks, 'block')}; of surveys "
            f"left out by block, {_percent(layer.coverage_scaled)} lay in the 80 % range.")


def _percent(share: float | None) -> str:
    return "not known" if share is None else f"{100 * share:.0f} %"


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _head(model: Model) -> str:
    lines = []
    for name, layer in (("physical", model.physical), ("statistical", model.statistical)):
        lines.append(f"- {name.capitalize()} layer: **{'on' if layer.on else 'off'}**")
        lines += [f"  - {r.code}: {r.text}" for r in model.refused if r.layer == name]
    if not model.physical.on:
        lines += ["", "No estimate of the run is changed. " + STANDING]
    return "\n".join(lines)


def _put_to(run: tuple[str, str] | None) -> str:
    return "" if run is None else (
        f"`lots_calibrated.csv` is of another run: **{run[0]}, {run[1]}**. No survey was compared with it; everything "
        "below is about the run named above.")


def _compared(model: Model) -> str:
    c = model.counts
    return "\n".join([
        "## What was compared", "",
        f"{counted(c.rows, 'row')} in the table: {c.compared} compared ({counted(c.changes, 'change')} between two "
        f"surveys and {counted(c.singles, 'single survey')}, outliers counted), {c.quarantined} set aside as outliers, "
        f"{c.not_used} not used. {counted(c.houses, 'house')} in {counted(c.blocks, 'block')}; blocks and buffers "
        f"are at least {model.correlation_range_m:g} m.",
        "", f"A change has reading errors only. A single survey also has the unevenness of new slabs: mean largest "
        f"difference {AS_BUILT_MM} mm (Walsh, Bashford & Mason 2001, abstract), of which {AS_BUILT_DOME_SD_MM:g} mm, "
        "one sd, may look like a dome or dish (judgement)."])


def _errors(model: Model) -> str:
    if model.physical.blocked_error_mm is None:
        return ""
    rows = [("uncalibrated", model.uncalibrated_error_mm, model.uncalibrated_error_mm, None),
            ("one constant for all houses", model.constant_error_mm, None, None),
            ("physical layer", model.physical.blocked_error_mm, model.physical.random_error_mm, model.physical),
            ("statistical layer on top", model.statistical.blocked_error_mm, model.statistical.random_error_mm,
             model.statistical)]
    lines = ["## Error of surveys that were left out", "",
             "| model | left out by block, mm | left out at random, mm | gain over the model below, in its sd |",
             "|---|---|---|---|"]
    for name, blocked, chance, layer in rows:
        lines.append(f"| {name} | {_mm(blocked)} | {_mm(chance)} | {_gain(layer)} |")
    lines += ["", *_moved(model)]
    return "\n".join([*lines, "The root mean square, measuring noise included. Only the error by block decides: with "
                      "random splits, neighbouring houses help the prediction, so the error looks smaller than it "
                      f"would be in unsurveyed places. A layer is on when its gain is above {fitting.CLEAR:g} sd over "
                      "blocks."])


def _moved(model: Model) -> list[str]:
    """Return how far the calibrated figures of the surveyed houses are from the model's own, and an empty line."""
    if not model.physical.on or not model.factors:
        return []
    sentences = [f"The calibrated figures of the {_OF[f.of]} are {f.calibrated:.2f} times as large as modelled."
                 for f in model.factors]
    return [" ".join([*sentences, "Where that is less than was measured, no model run explains the rest; it stays in "
                      "the range."]), ""]


def _gain(layer: LayerEntry | None) -> str:
    if layer is None or layer.gain is None or layer.gain_sd is None or layer.gain_sd <= 0:
        return "-"
    return f"{layer.gain / layer.gain_sd:.1f}"


def _coverage(model: Model) -> str:
    if model.physical.coverage is None:
        return ""
    lines = ["## Do the 80 % ranges contain 80 %?", "", "| range | share of surveys inside |", "|---|---|",
             f"| uncalibrated | {_percent(model.coverage_uncalibrated)} |"]
    for name, layer in (("physical layer", model.physical), ("statistical layer", model.statistical)):
        lines += [f"| {name}, left out by block | {_percent(layer.coverage)} |",
                  f"| {name}, scaled by the other blocks | {_percent(layer.coverage_scaled)} |"]
    used = model.statistical if model.statistical.on else model.physical
    return "\n".join([*lines, "", f"Ranges are multiplied by {used.range_scale:.2f} (blocks left out in turn, rank "
                      f"(n + 1) 0.8 of their scores; never below {crossval.SCALE_LIMITS[0]:g})."])


def _parameters(model: Model) -> str:
    if not model.parameters:
        return ""
    w = model.weights
    lines = ["## What the surveys say about the common parameters", "",
             "| parameter | unit | before: 10 / 50 / 90 % | after: 10 / 50 / 90 % |", "|---|---|---|---|"]
    for p in model.parameters:
        before, after = (" / ".join(f"{v:.2f}" for v in values) for values in (p.before, p.after))
        lines.append(f"| {_NAMES.get(p.name, p.name)} | {p.unit} | {before} | {after} |")
    sentences = (f"Weights over the model runs: effective sample size {w.effective_sample_size:.0f}"
                 f" (at least {physical.LEAST_ESS:.0f}), {w.effective_sample_size_untempered:.0f} before tempering.")
    if w.exponent < 1:
        sentences += (" The surveys know more than so few model runs can show: their weight was lowered to "
                      f"{w.exponent:.2f}, which widens the ranges. A run with more draws ([movement] draws) "
                      "sharpens them.")
    sentences += (f" No model run explains {100 * w.discrepancy_share:.0f} % of a movement (one sd); neighbours have "
                  f"{100 * w.near_share:.0f} % of that variance in common.")
    return "\n".join([*lines, "", sentences])


def _sources(model: Model) -> str:
    if not model.sources:
        return ""
    lines = ["## Who measured", "", "Sources are numbered in the order in which they first appear in the table; names "
             "are not stored.", "",
             "| source | rows | middles move without it, mm | in halves of the range | lies above the others, sd "
             "| still a gain without it |", "|---|---|---|---|---|---|"]
    words = {True: "yes", False: "no", None: "too few houses to say"}
    return "\n".join(lines + [f"| {s.name} | {s.rows} | {s.moves_mm:.1f} | {s.moves_share_of_range:.2f} | "
                              f"{s.offset_sd:+.1f} | {words[s.gains_without]} |" for s in model.sources])


def _aside(model: Model) -> str:
    if not model.quarantined:
        return ""
    rows = ", ".join(f"row {o.row} ({o.robust_z:+.1f})" for o in model.quarantined)
    return (f"## Set aside\n\nRows beyond {fitting.OUTLIER_Z} robust standard deviations, listed and not fitted: "
            f"{rows}. Look at date, sign, unit, house and repairs before a row is left out for good.")


def _method(model: Model) -> str:
    return (
        "## How\n\nPhysical layer: every model run is one set of parameters for the whole area; its weight is "
        "the probability of the surveys under it, after what belongs to a single lot (its own soil, width, pour month) "
        "is taken as scatter. Statistical layer: ridge regression of what is left on linear extensibility, age and "
        f"season, nothing else. Both are tested by leaving out blocks (at most {blocks.MOST_FOLDS} folds), with the "
        f"house's other rows and everything within {model.correlation_range_m:g} m. On only with "
        f"{fitting.FEWEST_HOUSES} houses in {fitting.FEWEST_BLOCKS} blocks, a clear gain by block over the "
        "uncalibrated model and over one constant, and when no single source decides.")


def _cautions(model: Model) -> str:
    return "\n".join(["## Cautions", "", *(f"- {line}" for line in (standing(model), CAUTION_CALIBRATED, CAUTION_SURVEY,
                                                                    CAUTION))])
