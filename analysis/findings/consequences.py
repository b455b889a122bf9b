"""What a finding spoils, and which others then say nothing new.

A kind names what it spoils and what it follows from; nothing here knows a kind by name.
"""

READINGS = "readings"  # wrong as a whole: of another place, gauge for absolute, another supply, another unit
PLACES = "places"  # readings belong to other places than the stand says
EXPONENT = "exponent"  # the pressure's course does not tell the gas's own exponent
