"""One act per fault: what is usually tried on the next cake. Common practice of the bench, in our own words.

The table is the trade's; nothing in it was measured. Each act is one thing to do, said to a decorator.
"""

from types import MappingProxyType

HIGH, LOW, ANY = "high", "low", "any"

ACTS = MappingProxyType(
    {
        ("diameter", HIGH): "take more off on the last turn of the scraper, or trim the layers smaller",
        ("diameter", LOW): "leave a fuller coat before the last turn of the scraper",
        ("out_of_round", ANY): "set the cake on the turntable's rings before the first coat",
        ("height", HIGH): "weigh the filling for each layer and trim the sponges to one height",
        ("height", LOW): "check the height of the stack with a ruler before the coat",
        ("level", ANY): "trim each sponge against a ruler before stacking",
        ("dome", HIGH): "cut the sponge's dome off before filling",
        ("dome", LOW): "spread the top from the middle outwards, with less weight on the blade in the middle",
        ("lean", ANY): "chill the stack, then set the layers straight again before the coat",
        ("taper", HIGH): "hold a square against the side and bring the scraper up to it",
        ("taper", LOW): "hold a square against the side and bring the scraper up to it",
        ("side_straightness", HIGH): "let the filled stack settle, pipe a dam inside the edge, and press before icing",
        ("side_straightness", LOW): "fill the gaps between the layers before the coat goes on",
        ("side_straightness", ANY): "rest the scraper's foot on the turntable and make one slow turn",
        ("side_ridges", ANY): "rest the scraper on the turntable and turn slowly, without lifting",
        ("edge_radius", HIGH): "pull the lip in with a dry blade, in short strokes",
        ("edge_radius", LOW): "stop pulling the lip in sooner and leave the edge a little rounding",
        ("decoration_count", ANY): "mark the places first, then pipe",
        ("decoration_missing", ANY): "mark the places first, then pipe",
        ("decoration_size", HIGH): "pipe to a shorter count for each piece",
        ("decoration_size", LOW): "pipe to a longer count for each piece",
        ("decoration_size_cv", ANY): "pipe twenty on a tray to a steady count before the cake",
        ("ring_radius", HIGH): "press a ring mark on the top first, a little further in",
        ("ring_radius", LOW): "press a ring mark on the top first, a little further out",
        ("ring_scatter", ANY): "press a ring mark on the top and pipe on it",
        ("ring_offset", ANY): "centre the ring mark on the cake before piping",
        ("spacing_error", ANY): "mark 12, 3, 6 and 9, then halve each gap",
        ("board_offset", ANY): "draw a guide ring on the board and set the cake down inside it",
        ("show_through", HIGH): "keep the filling clear of the edge and give the side a second coat",
        ("show_through", LOW): "scrape the last turn a little harder, so that the sponge shows as meant",
        ("show_through_top", HIGH): "give the top a second coat",
        ("show_through_top", LOW): "scrape the top a little harder, so that the sponge shows as meant",
        ("blemishes", "crumb"): "keep a separate bowl for the last coat, and lay a thin first coat",
        ("blemishes", "pit"): "work the air out of the icing with the paddle before coating",
        ("blemishes", "finger"): "lift and turn the cake by its board",
        ("blemishes", ANY): "look the cake over once more while the icing is still soft",
        ("top_relief", ANY): "one turn with a still hand, lifting at the middle",
        ("side_relief", ANY): "rest the scraper on the turntable and make one slow turn",
        ("colour_shift", ANY): "mix the icing against the house's colour sample in daylight",
        ("colour_evenness", ANY): "fold the colour in until no streak is left before coating",
    }
)
FALLBACK = "look at this together with your head decorator before the next cake"


def act_for(name: str, direction: str) -> str:
    """The act for a quantity's fault; `direction` is 'high', 'low' or a kind of blemish."""
    return ACTS.get((name, direction)) or ACTS.get((name, ANY)) or FALLBACK
