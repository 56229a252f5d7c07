"""Great Expectations at work: a pandas frame and its checks in, the rows that fail each check out.

Frames are narrow on purpose, one field or one set of boolean columns at a time: the engine copies the whole frame
for every expectation. The frame's index is the row id, and the default index is what comes back for a failed row.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from registry import Fault, GraftledgerError
from registry.definition import Severity

from .checks import Check

if TYPE_CHECKING:
    import pandas as pd

Failures = list[tuple[Check, list[int]]]
Validate = Callable[["pd.DataFrame", Sequence[Check]], Failures]


def make_validator() -> Validate:
    """Load Great Expectations, which takes seconds, and return the function that validates a frame with it.

    The context lives in memory: nothing is written, nothing is sent.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # deprecations inside the library, none of ours
        import great_expectations as gx
        from great_expectations.data_context.types.base import ProgressBarsConfig

    context = gx.get_context(mode="ephemeral")
    context.enable_analytics(False)
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    asset = context.data_sources.add_pandas("delivery").add_dataframe_asset("rows")
    rows = asset.add_batch_definition_whole_dataframe("rows")

    def validate(frame: pd.DataFrame, checks: Sequence[Check]) -> Failures:
        suite = gx.ExpectationSuite(
            name="checks",
            expectations=[
                getattr(gx.expectations, check.expectation)(
                    **check.arguments,
                    severity="warning" if check.severity is Severity.WARN else "critical",
                    meta={"check": position},
                )
                for position, check in enumerate(checks)
            ],
        )
        outcome = rows.get_batch({"dataframe": frame}).validate(suite, result_format={"result_format": "COMPLETE"})
        failures = []
        for result in outcome.results:
            assert result.expectation_config is not None
            check = checks[result.expectation_config.meta["check"]]
            found = result.result.get("unexpected_index_list")
            if found is None or result.success != (not found):
                raise _not_carried_out(check.rule)
            if found:
                failures.append((check, [int(row_id) for row_id in found]))
        if len(outcome.results) != len(checks):
            raise _not_carried_out("every check")
        return failures

    return validate


def _not_carried_out(what: str) -> GraftledgerError:
    return GraftledgerError(
        Fault(
            f"{what} could not be carried out; nothing was changed.", mend="This is a fault of the program: report it."
        )
    )
