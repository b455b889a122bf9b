"""Results to figures and HTML."""
