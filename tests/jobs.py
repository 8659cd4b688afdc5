"""Inputs of a record without its recording, for tests that bring the colours themselves."""

from __future__ import annotations

import datetime
from pathlib import Path

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.prepare import inputs_of
from endpoint.analysis.quantities import day_of_use
from endpoint.bench.journal.run_record import inputs_before, run_head
from endpoint.bench.live.form import Setting
from endpoint.record.certificates import CertificateBook
from endpoint.record.titration import TitrationRecord
from endpoint.recording.volume_log import VolumeLog


def job_without_source(record: TitrationRecord, log: VolumeLog | None) -> AnalysisInputs:
    """Inputs of a record with its log; certificates are read as of today."""
    today = day_of_use(record, datetime.date.today())
    return inputs_of(record, log, None, CertificateBook(today, record.accepted))


def job_of(setting: Setting, today: datetime.date) -> AnalysisInputs:
    """Inputs of a run at the bench before its first addition."""
    return inputs_before(run_head(setting.record(), Path(), today=today), today)
