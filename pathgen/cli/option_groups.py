"""Help with headings, because `pathgen panel` has too many options for one list."""

from __future__ import annotations

import click

from pathgen.settings.preparation import Preparation

MAIN = "Options"
# Every option of `panel` belongs to one heading. Options without a heading are listed under the first.
SECTIONS = {
    MAIN: "out width height machine material thinnest thickest outline layer within rim_width preview report",
    "Other files and output": "job_file thickness moves json schema help",
    "Temperatures": "nozzle_temperature platform_temperature",
    "Position of the picture": "centre_across centre_up zoom tilt",
    "Shape": "corner foot bend seam relief",
    "Tones and thickness": "tones aim aim_room dither pixel",
    "Layers": "layer_like first_layer band",
    "Beads": "fill direction hairpins spacing spacing_min spacing_max packing change_cost end_cost tolerance",
    "Feeds": "feed first_feed pace lead",
    "Rim and eyelets": "rim_thickness rim_bevel line_width line_thickness eyelets eyelet_at eyelet_opening "
    "eyelet_wall",
    "Position and supports": "turn axis brim overhang slope comb wedges wedge_at wedge_height wedge_base "
    "wedge_gap support_feed",
    "Several panels": "copies panel_gap build",
    "Preparing the photograph": " ".join(Preparation.__struct_fields__),
}


class Sectioned(click.Command):
    """Command whose help lists the options under headings."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options; options without a heading are appended to the first section."""
        options = {param.name: param for param in self.get_params(ctx) if isinstance(param, click.Option)}
        named = {
            title: [name for name in names.split() if name in options] for title, names in SECTIONS.items()
        }
        listed = {name for names in named.values() for name in names}
        named[MAIN] += [str(name) for name in options if name not in listed]
        for title, names in named.items():
            records = [options[name].get_help_record(ctx) for name in names]
            if any(records):
                with formatter.section(title):
                    formatter.write_dl([record for record in records if record is not None])
