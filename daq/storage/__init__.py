"""Write durable, atomic and hashed files.

Takes bytes and folders; gives durable files, atomic replacements, folder locks and manifests.
May import: nothing but daq.
"""
