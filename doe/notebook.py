"""The same use cases for notebooks: data frames in and out, plotly figures.

    import doe
    mint = doe.load("mint")
    mint.check().figures()
    plan = mint.plan()
    plan.runs                     # a data frame, one row a run
    mint.record(frame)            # the same frame with results filled in
    fit = mint.fit()
    fit.terms, fit.predict(frame)
    mint.suggest(runs=4).runs

Frames have the ledger's columns: `temperature_C`, `achieved_temperature_C`, `yield_mg_g` …
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from doe import workflow
from doe.augmenting import AugmentWish, way_asked
from doe.campaign import Campaign
from doe.errors import Problem, ResultsError, Where
from doe.factors import CategoricalFactor, Factor, FactorSpace, FloatArray
from doe.ledger import LedgerRow, csv_text, row_cells
from doe.modelling import model_asked
from doe.planning import PlanWish
from doe.recording import take_in
from doe.sheet import read_sheet_text

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

__all__ = ["CampaignHandle", "Check", "Fit", "Plan", "Status", "Suggestions", "load", "new"]


def new(name: str, start: str | Path = ".") -> CampaignHandle:
    """Make a campaign folder with a commented file, and return its handle.

    Raises
    ------
    doe.errors.StateError
        The name is taken, or no folder name.
    """
    result = workflow.new(name, Path(start).resolve())
    return CampaignHandle(result.campaign.folder)


def load(name: str | Path, start: str | Path = ".") -> CampaignHandle:
    """Return the handle of a campaign by name, folder or file.

    Raises
    ------
    doe.errors.StateError, doe.errors.CampaignFileError
    """
    found = workflow.load(str(name), Path(start).resolve())
    return CampaignHandle(found.folder)


class CampaignHandle:
    """A campaign in its folder; every call reads its files afresh."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __repr__(self) -> str:
        return f"<campaign {self.folder.name} in {self.folder.parent}>"

    def check(self) -> Check:
        """Find what the rig can run, and what limits it."""
        return Check(workflow.check(str(self.folder), self.folder))

    def plan(self, **wish: Any) -> Plan:
        """Plan the first stage, and write ledger and sheets.

        Parameters
        ----------
        **wish
            What you name of the design, as in `doe.planning.PlanWish`: runs, family, centres,
            model, criterion, blocks, plots and plot_size, seed.
        """
        named = PlanWish(**wish)
        return Plan(workflow.plan(str(self.folder), self.folder, wish=named))

    def ledger(self) -> pd.DataFrame:
        """Return the ledger, one row a run; NaN where nothing is recorded."""
        found = workflow.status(str(self.folder), self.folder).ledger
        rows = found.rows if found is not None else ()
        return _frame(workflow.load(str(self.folder), self.folder), rows)

    def record(self, frame: pd.DataFrame, *, replace: bool = False, dry_run: bool = False) -> int:
        """Take results into the ledger, and return how many cells changed.

        Parameters
        ----------
        frame
            Rows by `run`, with any of the ledger's columns; NaN says nothing.

        Raises
        ------
        doe.errors.ResultsError
            What cannot be read or contradicts the ledger, all of it at once.
        """
        loaded = workflow.load(str(self.folder), self.folder)
        if "run" not in frame.columns:
            raise ResultsError(
                Problem(
                    "no-run-column",
                    "the frame has no column “run”.",
                    Where("data frame"),
                    "Start from plan.runs or ledger().",
                )
            )
        told = frame.drop(columns=["status"], errors="ignore")  # follows from the results
        text = csv_text([[str(c) for c in told.columns], *map(_cells, told.to_numpy(object))])
        returned = read_sheet_text(text, "data frame", loaded.schema)
        return len(take_in(loaded, returned, replace, dry_run).changes)

    def status(self) -> Status:
        """Tell where the campaign stands."""
        return Status(workflow.status(str(self.folder), self.folder))

    def fit(self, *, model: str | None = None, by_day: bool = False) -> Fit:
        """Fit every response, and write the report; `model` is fitted as asked.

        With `by_day` differences between days are taken out of the fit.
        """
        asked = model_asked(model)
        return Fit(workflow.fit(str(self.folder), self.folder, model=asked, by_day=by_day))

    def suggest(self, *, runs: int | None = None, accept: bool = False) -> Suggestions:
        """Say which runs to make next; with `accept` they join the ledger."""
        return Suggestions(
            workflow.suggest(str(self.folder), self.folder, runs=runs, accept=accept)
        )

    def augment(self, *, accept: bool = False, **wish: Any) -> Additions:
        """Say what each way to add runs would buy; with a way, add runs in it.

        Parameters
        ----------
        accept
            The runs join the ledger as a stage.
        **wish
            What you name of it, as in `doe.augmenting.AugmentWish`: way, runs, factors, distance,
            model, criterion, seed.
        """
        named = AugmentWish(**{**wish, "way": way_asked(wish.get("way"))})
        return Additions(workflow.augment(str(self.folder), self.folder, wish=named, accept=accept))


class Check:
    """What the rig can run: `feasible_fraction`, `limits`, `corners`, `cures`, figures."""

    def __init__(self, result: workflow.CheckResult) -> None:
        self.result = result
        self.feasible_fraction = result.survey.feasible_fraction
        self.cures = result.survey.cures

    @property
    def limits(self) -> pd.DataFrame:
        """Each limit with the share of the ranges that it forbids, alone and with others."""
        import pandas as pd

        rows = [
            (s.limit.code, s.limit.title, s.fails_fraction, s.fails_alone_fraction)
            for s in self.result.survey.limits
        ]
        columns = ["limit", "title", "fails_fraction", "fails_alone_fraction"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def corners(self) -> pd.DataFrame:
        """The corners of the ranges, with the limits that each fails."""
        import pandas as pd

        space = self.result.campaign.space
        rows = [
            {**space.as_mapping(c.settings), "fails": [limit.code for limit, _ in c.fails]}
            for c in self.result.survey.corners
        ]
        return pd.DataFrame(rows)

    def figures(self) -> list[go.Figure]:
        """Return the maps of what the rig can run."""
        from doe.report.interactive import figure
        from doe.report.map_pictures import region_picture

        space = self.result.campaign.space
        return [figure(region_picture(m.space or space, m)) for m in self.result.maps]


class Plan:
    """A planned stage: `runs`, `efficiencies`, `can_do`, figures."""

    def __init__(self, result: workflow.PlanResult) -> None:
        self.result = result
        self.efficiencies = result.judgement.efficiencies
        self.can_do = result.judgement.can_do

    @property
    def runs(self) -> pd.DataFrame:
        """The planned runs in their order, with empty columns for what comes back."""
        return _frame(self.result.campaign, self.result.rows)

    def figures(self) -> list[go.Figure]:
        """Return the maps of what the rig can run, with the planned runs on them."""
        from doe import views
        from doe.report.interactive import figure
        from doe.report.map_pictures import region_picture

        made = self.result.campaign
        points = views.run_points(self.result.rows)
        maps = views.box_maps(made, views.middle_setting(made))
        return [figure(region_picture(made.space, m, points)) for m in maps]


class Status:
    """Where a campaign stands: `missing`, `next_command` (None: nothing to type), `warnings`."""

    def __init__(self, result: workflow.StatusResult) -> None:
        self.result = result
        self.missing = result.missing
        self.next_command = result.next_step.command or None
        self.warnings = [notice.what for notice in result.notices]


class Fit:
    """The fitted responses: `terms`, `quality`, `effects`, `best`, `predict`, figures."""

    def __init__(self, result: workflow.FitResult) -> None:
        self.result = result
        self.analysis = result.analysis

    @property
    def terms(self) -> pd.DataFrame:
        """Coefficients in coded units (low −1, high +1) with standard errors and p-values."""
        import pandas as pd

        rows = [
            (f.response.name, e.label, e.coefficient, e.standard_error, e.df, e.p_value)
            for f in self.analysis.fits
            for e in f.estimates
        ]
        columns = ["response", "term", "coefficient", "standard_error", "df", "p_value"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def quality(self) -> pd.DataFrame:
        """R², adjusted and predicted R², residual scatter and lack of fit of each response."""
        import pandas as pd

        rows = [
            {
                "response": f.response.name,
                "model": f.model.name,
                "runs": len(f.runs_used),
                "r2": f.r2,
                "r2_adjusted": f.r2_adjusted,
                "r2_predicted": f.r2_predicted,
                "residual_sd": f.residual_sd,
                "lack_of_fit_p": None if f.lack_of_fit is None else f.lack_of_fit.p_value,
            }
            for f in self.analysis.fits
        ]
        return pd.DataFrame(rows)

    @property
    def effects(self) -> pd.DataFrame:
        """What screening says: contrasts of two-level runs, or the first of the two steps.

        `effect` is from the low to the high level; `clear` tells whether it lies beyond Lenth's
        margin, or was kept by the first step, and is None where nothing can be judged.
        """
        import pandas as pd

        rows: list[dict[str, Any]] = []
        for name, verdict in self.result.screenings.items():
            for stratum in () if verdict.effects is None else verdict.effects.strata:
                rows += [
                    {
                        "response": name,
                        "stratum": stratum.name,
                        "term": e.label,
                        "effect": e.effect,
                        "aliases": list(e.aliases),
                        "clear": e.clear,
                    }
                    for e in stratum.effects
                ]
            for one in () if verdict.steps is None else verdict.steps.main:
                rows.append(
                    {
                        "response": name,
                        "stratum": "first step",
                        "term": one.label,
                        "effect": 2 * one.coefficient,
                        "aliases": [],
                        "clear": one.kept,
                    }
                )
        columns = ["response", "stratum", "term", "effect", "aliases", "clear"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def best(self) -> dict[str, float | str]:
        """The recommended settings, with their units in the names."""
        return self.result.campaign.space.as_mapping(self.analysis.optimum.settings)

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Return the predictions of all responses at settings given by their columns.

        `inside_ranges` tells where the models were not stretched beyond the factors' ranges, and
        `feasible` where the rig can run.

        Raises
        ------
        doe.errors.ResultsError
            A factor's column is missing, or holds something that is no value of it.
        """
        import pandas as pd

        space = self.result.campaign.space
        rows = _settings_of(settings, space)
        coded = space.code(rows)[:, list(space.numeric)]
        inside = np.asarray((np.abs(coded) <= 1 + 1e-9).all(axis=1), dtype=np.bool_)
        feasible = self.result.campaign.feasible(rows)
        parts = []
        for f in self.analysis.fits:
            p = f.predict(rows, level)
            made = settings[list(space.columns)].copy()
            made.insert(0, "response", f.response.name)
            for name in ("mean", "mean_low", "mean_high", "run_low", "run_high"):
                made[name] = getattr(p, name)
            made["inside_ranges"] = np.asarray(inside)
            made["feasible"] = feasible
            parts.append(made)
        return pd.concat(parts, ignore_index=True)

    def figures(self) -> list[go.Figure]:
        """Return half-normal plots of screening, then the surfaces over the telling factors."""
        from doe import views
        from doe.report.interactive import figure
        from doe.report.map_pictures import surface_picture
        from doe.report.screening_section import stratum_picture

        made = self.result
        screened = [
            stratum_picture(verdict, stratum, f"screening-{name}-{i}")
            for name, verdict in made.screenings.items()
            if verdict.effects is not None
            for i, stratum in enumerate(verdict.effects.strata, start=1)
        ]
        surfaces = [
            surface_picture(made.campaign.space, view)
            for view in views.surfaces(made.campaign, self.analysis, made.points)
        ]
        return [figure(picture) for picture in (*screened, *surfaces) if picture is not None]


class Suggestions:
    """The next runs: `runs`, `advice`, `why`."""

    def __init__(self, result: workflow.SuggestResult) -> None:
        self.result = result
        self.advice = result.suggestion.advice
        self.why = result.suggestion.why

    @property
    def runs(self) -> pd.DataFrame:
        """The suggested runs with their reasons and predicted means."""
        import pandas as pd

        space = self.result.campaign.space
        rows: list[dict[str, Any]] = []
        for number, run in zip(self.result.numbers, self.result.suggestion.runs, strict=True):
            means = {
                f"predicted_{f.response.column}": float(run.predictions[f.response.name].mean[0])
                for f in self.result.analysis.fits
            }
            rows.append(
                {
                    "run": number,
                    "kind": run.kind,
                    **space.as_mapping(run.settings),
                    **means,
                    "reason": run.reason,
                }
            )
        return pd.DataFrame(rows)


class Additions:
    """Ways to add runs: `ways` with what each buys, and the `runs` of the one asked for."""

    def __init__(self, result: workflow.AugmentResult) -> None:
        self.result = result

    @property
    def ways(self) -> pd.DataFrame:
        """One row a way: how many runs, what they buy, or why it cannot be gone."""
        import pandas as pd

        rows = [
            {
                "way": offer.way,
                "runs": None if offer.addition is None else len(offer.addition.settings),
                "buys": None if offer.addition is None else offer.addition.buys,
                "why_not": offer.why_not or None,
            }
            for offer in self.result.offers
        ]
        return pd.DataFrame(rows)

    @property
    def runs(self) -> pd.DataFrame:
        """The runs of the way asked for; no rows without one."""
        planned = self.result.planned
        return _frame(self.result.campaign, () if planned is None else planned.rows)


def _settings_of(frame: pd.DataFrame, space: FactorSpace) -> FloatArray:
    """Return the settings (n, k) in a frame's columns.

    Raises
    ------
    ResultsError
        All that is missing or no value of its factor.
    """
    remedy = f"Give a data frame with the columns {', '.join(space.columns)}."
    absent = [column for column in space.columns if column not in getattr(frame, "columns", ())]
    if absent:
        what = f"the settings lack {', '.join(absent)}."
        raise ResultsError(Problem("missing-column", what, Where("data frame"), remedy))
    rows = np.empty((len(frame), len(space)))
    problems = []
    for j, factor in enumerate(space):
        for i, value in enumerate(frame[factor.column]):
            read = _value_of(factor, value)
            if read is None:
                what = f"{value!r} is no value of {factor.name}."
                problems.append(
                    Problem("bad-setting", what, Where("data frame", i, factor.column), remedy)
                )
            else:
                rows[i, j] = read
    if problems:
        raise ResultsError(*problems)
    return rows


def _value_of(factor: Factor, value: object) -> float | None:
    if isinstance(factor, CategoricalFactor):
        return float(factor.levels.index(str(value))) if str(value) in factor.levels else None
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return number if np.isfinite(number) else None


def _frame(loaded: Campaign, rows: Sequence[LedgerRow]) -> pd.DataFrame:
    """Return ledger rows as a frame: numbers as numbers, levels and notes as text."""
    import pandas as pd

    schema = loaded.schema
    cells = [row_cells(schema, row) for row in rows]
    frame = pd.DataFrame(cells, columns=list(schema.columns_of(rows)))
    words = {"kind", "lot", "status", "left_out_because", "notes"}
    for factor, achieved in zip(schema.space, schema.achieved_columns, strict=True):
        if isinstance(factor, CategoricalFactor):
            words |= {factor.column, achieved}
    for column in frame.columns:
        if column not in words:
            frame[column] = pd.to_numeric(frame[column].replace("", None))
    return frame


def _cells(row: FloatArray) -> list[str]:
    """Return a row of a frame as cells of a sheet; what is missing is blank."""
    cells = []
    for value in row:
        missing = value is None or (isinstance(value, float) and np.isnan(value))
        if missing:
            cells.append("")
        elif isinstance(value, float) and value.is_integer():
            cells.append(str(int(value)))
        else:
            cells.append(repr(value) if isinstance(value, float) else str(value))
    return cells
