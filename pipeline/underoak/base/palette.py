"""The colours of a run: one palette for rasters, legend, map and page.

Suitability takes the cividis colour map (Nunez, Anderton & Renslow 2018), which also people who see few colours can
read, and classes take four steps of it, bright for the best. Classes are never red, amber and green.
"""

from underoak.base.codes import EXCLUDED, MISSING, S1, S2, S3, N

Rgb = tuple[int, int, int]

SUITABILITY_MAP = "cividis"
CLASS_RGB: dict[int, Rgb] = {
    S1: (254, 232, 56),
    S2: (188, 175, 111),
    S3: (124, 123, 120),
    N: (0, 42, 102),
    EXCLUDED: (214, 214, 214),
}
# red, green, blue, alpha of each code; missing cells are transparent
CLASS_RGBA = {code: (*rgb, 255) for code, rgb in CLASS_RGB.items()} | {MISSING: (255, 255, 255, 0)}

INK, SOFT, LINE = "#1d1d1b", "#5a5a55", "#d5d4ce"
PAPER, WASH, MARK = "#ffffff", "#f5f4ef", "#00306f"
STRIPES: Rgb = (138, 138, 136)  # over excluded cells


def hex_colour(rgb: Rgb) -> str:
    """Return a colour as CSS and SLD write it.

    >>> hex_colour((254, 232, 56))
    '#fee838'
    """
    return "#" + bytes(rgb).hex()
