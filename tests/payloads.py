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

# What a browser would obey: each sets ``ran``, adds an element, asks the network, or hides what follows.
PAGE_PAYLOADS = (
    "<script>ran=1</script>",
    '"><img src=x onerror=ran=1>',
    "'><svg onload=ran=1>",
    '" onmouseover=ran=1 x="',
    "</style><b>bold</b>",
    "</title></script><script>ran=1</script>",
    "<iframe srcdoc='<script>parent.ran=1</script>'></iframe>",
    "<a href=javascript:ran=1>a</a>",
    "<link rel=stylesheet href=http://127.0.0.1:9/a.css>",
    "<meta http-equiv=refresh content='0;url=http://127.0.0.1:9/'>",
    "&lt;script&gt;ran=1&lt;/script&gt;",
    "<!-- hidden",
)
