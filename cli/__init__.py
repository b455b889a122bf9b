"""Implement the commands, one file each: arguments, a thin call, printed lines."""
