"""The record: from the wire to the run folder."""
