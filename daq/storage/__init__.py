"""Files that hold what was written.

Takes bytes and folders; gives durable files, atomic replacements, folder locks and manifests.
May import: nothing but daq.
"""
