"""A made-up stand for rehearsals and studies: physics richer than the fitted model, sensors, and the truth beside."""
