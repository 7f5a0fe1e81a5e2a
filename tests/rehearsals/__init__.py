"""Patients fitted at one setting and predicted at another, beside what the simulator does there."""
