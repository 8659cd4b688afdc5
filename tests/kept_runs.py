"""What a run in the journal says and gives, for tests of the journal."""

from __future__ import annotations

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.result import Result
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.run_record import result_of


def result_in(journal: RunJournal, run: int) -> Result:
    """Result of a run, from the colours as they stand in the journal."""
    return result_of(journal.events(run))


def inputs_in(journal: RunJournal, run: int) -> AnalysisInputs:
    """What the record of a run and the readings in the journal say."""
    return result_in(journal, run).job
