"""The caution, in the words that command line, summary, report and page share. Once per page, in plain sight."""

CAUTION = (
    "For education, review and quality work by trained people. Not a medical device; not for real-time decisions or "
    "alarms. Check against the patient, the ventilator's own manual, local protocols and the judgement of licensed "
    "clinicians."
)
