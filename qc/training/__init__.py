"""How the outline network is made: recipe of its pictures, training, evaluation; see MODEL.md. Not needed to measure cakes."""
