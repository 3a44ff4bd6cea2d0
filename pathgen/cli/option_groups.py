"""Help in sections: a panel has more options than anybody reads through."""

from __future__ import annotations

import click

from pathgen.settings.preparation import Preparation

# Every key of a job stands under one heading; what does not belong to a job comes before them.
SECTIONS = {
    "Machine and plastic": "machine material nozzle_temperature platform_temperature",
    "Size, and the picture's place in it": "width height centre_across centre_up zoom tilt",
    "Form": "outline corner foot bend seam relief",
    "Light and thickness": "thinnest thickest tones aim aim_room dither pixel",
    "Layers and time": "layer layer_like first_layer within band",
    "Beads": "fill direction hairpins spacing spacing_min spacing_max packing change_cost end_cost tolerance",
    "Feeds": "feed first_feed pace lead",
    "Rim and loops": "rim_width rim_thickness rim_bevel line_width line_thickness eyelets eyelet_at "
    "eyelet_opening eyelet_wall",
    "Standing while it grows": "turn axis brim overhang slope comb wedges wedge_at wedge_height wedge_base "
    "wedge_gap support_feed",
    "Several panels": "copies panel_gap build",
    "Preparing the photograph": " ".join(Preparation.__struct_fields__),
}


class Sectioned(click.Command):
    """A command whose help has its options under headings."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, those of no section first."""
        options = {param.name: param for param in self.get_params(ctx) if isinstance(param, click.Option)}
        named = {
            title: [name for name in names.split() if name in options] for title, names in SECTIONS.items()
        }
        others = [str(name) for name in options if not any(name in names for names in named.values())]
        for title, names in {"Options": others, **named}.items():
            records = [options[name].get_help_record(ctx) for name in names]
            if any(records):
                with formatter.section(title):
                    formatter.write_dl([record for record in records if record is not None])
