"""What a run in the journal says and gives, for tests of the journal."""

from __future__ import annotations

import tempfile
from pathlib import Path

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.pipeline import of_colours
from endpoint.analysis.result import Result
from endpoint.bench.journal.export import done_in, export, head_of
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.reconstruct import colours_of
from endpoint.record.titration import read_record
from tests.jobs import job_without_source


def inputs_in(journal: RunJournal, run: int) -> AnalysisInputs:
    """What the exported record of a run and the readings in the journal say."""
    events = journal.events(run)
    with tempfile.TemporaryDirectory() as place:
        export(journal, run, Path(place))
        record = read_record(Path(place) / "record.toml")
        return job_without_source(record, done_in(head_of(events), events).log)


def result_in(journal: RunJournal, run: int) -> Result:
    """Result of a run, from the colours as they stand in the journal."""
    return of_colours(colours_of(journal.events(run)), inputs_in(journal, run))
