"""Great Expectations at work: a pandas frame and its checks in, the rows that fail each check out.

Frames are narrow on purpose, one field or one set of boolean columns at a time: the engine copies the whole frame
for every expectation. The frame's index is the row id, and the default index is what comes back for a failed row.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from registry import Fault, GraftledgerError
from registry.definition import Severity

from .checks import NOT_NULL, Check

if TYPE_CHECKING:
    import pandas as pd

Failures = list[tuple[Check, list[int]]]
Validate = Callable[["pd.DataFrame", Sequence[Check]], Failures]


def make_validator() -> Validate:
    """Load Great Expectations, which takes seconds, and return the function that validates a frame with it.

    The context lives in memory: nothing stays on disk, nothing is sent.
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

    def results(frame: pd.DataFrame, checks: Sequence[Check], result_format: str) -> Iterator[tuple[Check, Any]]:
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
        outcome = rows.get_batch({"dataframe": frame}).validate(suite, result_format={"result_format": result_format})
        if len(outcome.results) != len(checks):
            raise _not_carried_out("every rule")
        for result in outcome.results:
            assert result.expectation_config is not None
            yield checks[result.expectation_config.meta["check"]], result

    def validate(frame: pd.DataFrame, checks: Sequence[Check]) -> Failures:
        """Ask of every check whether any row fails, and of those that say so, which rows: it halves the overhead.

        A column without any value is asked only whether it may be: no other check says anything of an empty value.
        """
        empty = set(frame.columns[frame.isna().all()])
        asked = [check for check in checks if check.expectation == NOT_NULL or check.arguments["column"] not in empty]
        if not asked:
            return []
        failing = [check for check, result in results(frame, asked, "BOOLEAN_ONLY") if not result.success]
        failures = []
        for check, result in results(frame, failing, "COMPLETE") if failing else ():
            row_ids = result.result.get("unexpected_index_list")
            if not row_ids:  # the check itself broke down
                raise _not_carried_out(check.rule)
            failures.append((check, [int(row_id) for row_id in row_ids]))
        return failures

    return validate


def _not_carried_out(what: str) -> GraftledgerError:
    return GraftledgerError(
        Fault(f"{what} could not be checked; nothing was changed.", mend="This is a fault of the program: report it.")
    )
