"""One file per command: arguments, a thin call, a screen."""
