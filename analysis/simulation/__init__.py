"""The simulated stand behind a rehearsal."""
