"""How the networks are made: recipes of their pictures, training, evaluation; MODEL.md, SURFACE.md. Not needed to measure."""
