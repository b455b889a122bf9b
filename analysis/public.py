"""What a script or a notebook imports as ``standbook``."""
