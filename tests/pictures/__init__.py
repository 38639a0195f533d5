"""Pictures and pages, drawn for real."""
