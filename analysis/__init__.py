"""From a run folder to numbers and pictures."""
