"""Evidence that can be signed: identity, criteria, record, page, and its verification."""

from teachlab.evidence.abstention import Abstention, build_abstention, read_released
from teachlab.evidence.criteria import Criteria, Judged, Judgement, judge, read_criteria
from teachlab.evidence.finding import Finding
from teachlab.evidence.record import judged_record
from teachlab.evidence.record_parts import RecordOptions, record_text
from teachlab.evidence.verify import verify_record

__all__ = [
    "Abstention",
    "Criteria",
    "Finding",
    "Judged",
    "Judgement",
    "RecordOptions",
    "build_abstention",
    "judge",
    "judged_record",
    "read_criteria",
    "read_released",
    "record_text",
    "verify_record",
]
