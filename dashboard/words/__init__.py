"""Every sentence Ovenbook says to people, in one place: pages, command line and sheets say the same thing the same way.

Works on the plain dictionaries of `ovenbook show N --json` (analysis.store.run_summary) and `ovenbook import --json`.
Words are the trade's (standards, textbooks, data sheets) or plain descriptions. Nothing here computes a result.
"""

from dashboard.words.findings import (
    FINDING_DEFINITIONS,
    FINDING_NAMES,
    STATE_MEANINGS,
    STOP_HEATER,
    STOP_SENSOR,
    finding_name,
    finding_sentence,
    stop_lines,
)
from dashboard.words.imports import (
    STATUS_WORDS,
    answer_command,
    import_counts,
    import_sentence,
    question_text,
    understood_lines,
)
from dashboard.words.limits import limit_text, metric_label, metric_text, parameters_text, source_text
from dashboard.words.numbers import (
    MARGIN_UNITS,
    counted,
    decimals_of,
    duration,
    listed,
    margin_text,
    number,
    quantity_text,
    with_unit,
)
from dashboard.words.terms import CAUTIONS, CAUTIONS_DEFER, DEFINITIONS, RECORDS_ONLY, ROLE_WORDS, cautions_text
from dashboard.words.verdicts import (
    NO_LIMITS,
    VERDICT_HEADINGS,
    VERDICT_WORDS,
    check_first,
    deciding_limit,
    limit_sentence,
    limiting_text,
    short_verdict,
    verdict_heading,
    verdict_sentence,
)

__all__ = [
    "CAUTIONS",
    "CAUTIONS_DEFER",
    "DEFINITIONS",
    "FINDING_DEFINITIONS",
    "FINDING_NAMES",
    "MARGIN_UNITS",
    "NO_LIMITS",
    "RECORDS_ONLY",
    "ROLE_WORDS",
    "STATE_MEANINGS",
    "STATUS_WORDS",
    "STOP_HEATER",
    "STOP_SENSOR",
    "VERDICT_HEADINGS",
    "VERDICT_WORDS",
    "answer_command",
    "cautions_text",
    "check_first",
    "counted",
    "deciding_limit",
    "decimals_of",
    "duration",
    "finding_name",
    "finding_sentence",
    "import_counts",
    "import_sentence",
    "limit_sentence",
    "limit_text",
    "limiting_text",
    "listed",
    "margin_text",
    "metric_label",
    "metric_text",
    "number",
    "parameters_text",
    "quantity_text",
    "question_text",
    "short_verdict",
    "source_text",
    "stop_lines",
    "understood_lines",
    "verdict_heading",
    "verdict_sentence",
    "with_unit",
]
