"""Results -> charts: each is one drawing with its finding as its title."""

from blindspoon.charts.chances import chances_chart
from blindspoon.charts.chart import Chart, png_file, svg_file
from blindspoon.charts.differences import differences_chart
from blindspoon.charts.mark import mark_svg
from blindspoon.charts.measured import measured_chart
from blindspoon.charts.palette import PALETTE, css_variables, variant_inks
from blindspoon.charts.picture import Picture, picture_of
from blindspoon.charts.profiles import profiles_chart
from blindspoon.charts.readings import readings_chart
from blindspoon.charts.scores import scores_chart

__all__ = [
    "PALETTE",
    "Chart",
    "Picture",
    "chances_chart",
    "css_variables",
    "differences_chart",
    "mark_svg",
    "measured_chart",
    "picture_of",
    "png_file",
    "profiles_chart",
    "readings_chart",
    "scores_chart",
    "svg_file",
    "variant_inks",
]
