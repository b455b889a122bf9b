"""What somebody may type, or a board may send, to command a terminal or a page."""

PAYLOADS = (
    "\x1b[2J",  # clears a screen
    "\x1b]0;title\x07",  # names its window
    "\x1b[31mred",
    "\x9b2J",  # the same in one byte
    "\x07",  # rings
    "over\rwritten",
    "back\x08\x08",
    "\x00",
    "\u202eturned",  # right to left
    "\u2066hidden\u2069",
    "\x7f",
    "\x1bPq#0\x1b\\",  # a picture
)
