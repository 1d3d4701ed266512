"""The catalogue of refusals and warnings: one code, one sentence, one remedy. docs/errors.md is held
to it by a test.

A refusal (`CannotJudge`) ends a judgement; a warning or a finding stands in the reasons of one that was
made. `{detail}` takes the figures.
"""

from __future__ import annotations

from anodewane.errors import CannotJudge
from anodewane.record import Reason

REFUSALS: dict[str, tuple[str, str]] = {
    "no_sheet": (
        "No scale sheet is seen in the photo ({detail}).",
        (
            "Lay the printed sheet flat beside (card) or under (mat) the part, all of it sharp in the photo "
            "and in even light, and take the photo again."
        ),
    ),
    "sheet_too_little": (
        "Too little of the scale sheet is seen ({detail}).",
        "Uncover the sheet, come closer or hold still, so that most of its squares are sharp in the photo.",
    ),
    "two_sheets": (
        "More than one scale sheet is in the photo ({detail}).",
        "Leave one sheet by the part and take the photo again.",
    ),
    "sheet_not_flat": (
        "The scale sheet isn't flat ({detail}).",
        "Press the sheet flat or glue it to a board, and take the photo again.",
    ),
    "too_oblique": (
        "The photo is taken too much from the side ({detail}).",
        "Hold the phone level above the part, 700 mm or more away, and take the photo again.",
    ),
    "blurred": (
        "The photo is blurred ({detail}).",
        "Hold still, tap on the part to focus, find more light, and take the photo again.",
    ),
    "too_dark": (
        "The photo is too dark ({detail}).",
        "Find more light, without a hard shadow across the part, and take the photo again.",
    ),
    "glare": (
        "The light washes the photo out ({detail}).",
        "Turn off the flash, shade the sheet and the part from direct sun, and take the photo again.",
    ),
    "no_part": (
        "No part is seen by the sheet ({detail}).",
        (
            "Lay the part on the mat or close beside the card, the face that wasted upward, and take the "
            "photo "
            "again."
        ),
    ),
    "not_metal": (
        "What lies by the sheet doesn't look like the metal of an anode ({detail}).",
        (
            "Lay the part there, and nothing else; wash off paint, tape and crust, or hand in the part's "
            "outline."
        ),
    ),
    "several_parts": (
        "Several parts could be meant ({detail}).",
        "Leave one part by the sheet, or hand in its outline, and take the photo again.",
    ),
    "part_cut_off": (
        "The part runs out of the photo ({detail}).",
        "Step back until all of the part and of the sheet is in the photo.",
    ),
    "part_unclear": (
        "It isn't clear where the part ends ({detail}).",
        "Lay the part on a ground of another colour in even light, or hand in a corrected outline.",
    ),
    "template_does_not_fit": (
        "The template doesn't fit the part ({detail}).",
        (
            "Choose the right template, check that the sheet was printed at 100 %, and clean crust and weed "
            "off the part."
        ),
    ),
    "part_unknown": (
        "The part isn't known: no template of the library is borne out by its holes or edges ({detail}).",
        "Name the template; make one from a drawing or from a photo of the new part where there is none.",
    ),
    "template_unclear": (
        "Several templates fit the part alike ({detail}).",
        "Name the template.",
    ),
    "hole_pitch": (
        "The fixing holes don't stand as far apart as in the template ({detail}).",
        "Measure the sheet's 100 mm line and give it (check line), or choose the right template.",
    ),
    "weight_does_not_fit": (
        "The weight doesn't fit the part ({detail}).",
        "Weigh the part clean, dry and without its bolts, give grams, and check the template and its alloy.",
    ),
    "no_view_from_above": (
        "None of the photos is taken from above ({detail}).",
        "Add a photo taken level from above, part and sheet lying as they lie.",
    ),
    "photos_disagree": (
        "The photos don't show one part that lay still ({detail}).",
        (
            "Leave part and sheet where they are, take all photos again, and hand in only photos of this "
            "part; "
            "or judge each photo by itself."
        ),
    ),
    "other_side_is_dry": (
        "The part has no other side to judge ({detail}).",
        "Leave out the photos of its back: it lay against the hull. Only an open mount wastes on both faces.",
    ),
    "thickness_does_not_fit": (
        "The thickness doesn't fit the part ({detail}).",
        "Measure the metal that is left in millimetres, and check the template.",
    ),
}

FINDINGS: dict[str, tuple[str, str | None]] = {
    "past_limit": ("About {detail} of the metal is gone: at or past the limit.", "Replace the part."),
    "could_be_past_limit": (
        "The limit lies inside the interval ({detail}).",
        "Weigh the part or measure its thickness to settle it; if in doubt, replace it.",
    ),
    "watch": ("Wear has begun ({detail}).", "Look again at the next haul-out, or sooner if it wears fast."),
    "sound": ("The part is sound ({detail}).", None),
    "no_measurable_wear": (
        "No measurable wear ({detail}).",
        (
            "A new part is fine; after a season in the water, no wear is a warning: look for paint or oil on "
            "it, poor contact or a broken bond, and have the bonding tested."
        ),
    ),
    "fixing_lost": ("A fixing no longer holds ({detail}).", "Replace the part whatever the percentage."),
    "hole_grown": (
        "A fixing hole has grown ({detail}).",
        "Check that the washer still clamps the part all round.",
    ),
    "core_shows": ("The core shows or is about to ({detail}).", "Replace the part whatever the percentage."),
    "piece_lost": (
        "A piece is gone ({detail}).",
        "Replace the part whatever the percentage, and tap the others for loose metal.",
    ),
    "one_sided": (
        "The part wears on one side ({detail}).",
        (
            "Look for a shield, a neighbour or a current on that side; a qualified marine electrical "
            "technician can measure it."
        ),
    ),
    "form_unknown": (
        "The casting's form is known by outline and height alone ({detail}).",
        (
            "Weigh a new one and give its mass (new_mass_g): that narrows it most; draft, edge and crown "
            "settle it."
        ),
    ),
    "form_unknown_though_weighed": (
        "The casting's form is known by outline, height and weight alone ({detail}).",
        "Put its draft, edge radius and crown into the template, or photograph a new one from above and low.",
    ),
    "larger_than_new": (
        "The part reads larger than new ({detail}).",
        "Check the template and the print scale; brush off crust and fouling.",
    ),
    "hole_pitch_doubt": (
        "The fixing holes stand at {detail}.",
        (
            "Measure the sheet's 100 mm line and give it (check line); a sheet printed small makes a part "
            "read "
            "less worn than it is."
        ),
    ),
    "print_scale_unmeasured": (
        "Nobody measured the sheet, and its paper's edges don't tell its print scale ({detail}).",
        (
            "Measure its 100 mm line once with a ruler and give it (check line), or lay the sheet, its paper "
            "uncut, on a darker ground with all edges in the photo."
        ),
    ),
    "printed_off_scale": (
        "The sheet wasn't printed at 100 %; lengths were corrected by its paper's edges ({detail}).",
        'Print it again at 100 % ("actual size"), or measure its 100 mm line and give it (check line).',
    ),
    "check_line_doubt": (
        "The line that was given and the sheet's paper disagree ({detail}).",
        "Measure the sheet's 100 mm lines again. What was given stands until then.",
    ),
    "growth_bridged": (
        "Fouling stands proud of the metal and was taken off the outline ({detail}).",
        "Scrape the part clean and take the photo again to be surer.",
    ),
    "pose_ambiguous": ("The part can lie in its template in several ways ({detail}).", None),
    "close_camera": (
        "The camera was close ({detail}): the part's height weighs more.",
        "Step back to 700 mm or more, or use the 2x lens.",
    ),
    "template_chosen": (
        "The template was chosen as the best fit of the library ({detail}).",
        "Name the template to be sure of it.",
    ),
    "gap_filled": (
        "Gaps that the template doesn't have were taken for marks on the metal's face ({detail}).",
        "Look at the picture; if the part is worn through there, hand in its outline.",
    ),
    "face_not_matched": (
        "The face itself could not be measured between the photos ({detail}).",
        "Add a photo from half-way up, about 45 degrees above the bench, in even light.",
    ),
    "both_sides": ("Both faces were judged, joined by the template ({detail}).", None),
    "manual_outline": ("The outline was handed in, not found ({detail}).", None),
    "file_note": ("{detail}", None),
    # the season's book
    "wont_last": ("The part won't last to the next haul-out ({detail}).", "Replace it now."),
    "might_not_last": (
        "The part may reach its limit before the next haul-out ({detail}).",
        "Haul out sooner, weigh the part to settle it, or replace it now.",
    ),
    "last_look_failed": (
        "The last photo couldn't be judged ({detail}).",
        "Take the photo again; until then the book goes by the reading before.",
    ),
    "metal_grew": (
        "Metal doesn't grow, but less is gone than before ({detail}).",
        (
            "Was the part exchanged? Then note it with 'anodewane season fit'; if not, one photo may be of "
            "another part. No wear a month is told until then."
        ),
    ),
    "no_wear_in_season": (
        "No wear in a season in the water ({detail}): that is a fault, not health.",
        (
            "Look for paint, oil or a white film on it, a dirty seat, a broken bond; have a qualified marine "
            "electrical technician test the bonding before the launch."
        ),
    ),
    "pair_uneven": (
        "Two parts that should wear alike don't ({detail}).",
        (
            "The one that wears less may have lost its bond, and then the other works for both; have a "
            "qualified marine electrical technician test the bonding of both."
        ),
    ),
    "faster_than_before": (
        "The part wears far faster than before ({detail}).",
        (
            "Shore power, a neighbour, bonding or paint may have changed, or a current may stray; have a "
            "qualified corrosion or marine electrical technician measure it."
        ),
    ),
    "mixed_alloys": (
        "Anodes of different alloys sit on one boat ({detail}).",
        (
            "On one bonded system the more active alloy wastes for all: fit one alloy throughout, and ask a "
            "qualified corrosion technician which."
        ),
    ),
    "alloy_for_water": (
        "The alloy doesn't belong in this water ({detail}).",
        (
            "Change the alloy on the whole boat at once; ask a qualified corrosion technician which one "
            "suits "
            "the water and the hull."
        ),
    ),
    "weighed_disagrees": (
        "The scales and the photo disagree ({detail}).",
        (
            "Weigh again, clean, dry and without bolts; check template, alloy and the sheet's 100 mm line. "
            "The "
            "scales stand until then."
        ),
    ),
    "short_lived": (
        "At this rate a new part wouldn't last from one haul-out to the next either ({detail}).",
        (
            "There may be too little metal, a neighbour that it protects, or a stray current; have a "
            "qualified "
            "corrosion or marine electrical technician look."
        ),
    ),
    "refit_right": ("The new part is as it should be ({detail}).", None),
    "refit_other_part": (
        "The new part isn't the one that should sit there ({detail}).",
        "Fit the right part, or enter the other one's template in the book.",
    ),
    "refit_worn": (
        "The part fitted as new is worn already ({detail}).",
        "Fit a new one, or enter it as the used part that it is.",
    ),
    "refit_other_alloy": (
        "The new part seems to be of another alloy ({detail}).",
        "Check the stamp on the part; never mix alloys on one bonded system.",
    ),
    "refit_alloy_unseen": (
        "A photo can't tell the alloy ({detail}).",
        "Check the stamp on the part, or weigh it and give the weight.",
    ),
}


def refusal_reason(refusal: CannotJudge) -> Reason:
    """The reason that a refusal puts into the record."""
    message, remedy = REFUSALS[refusal.code]
    return Reason(refusal.code, _fill(message, refusal.detail), remedy)


def finding(code: str, detail: str) -> Reason:
    """A reason of a judgement that was made."""
    message, remedy = FINDINGS[code]
    return Reason(code, _fill(message, detail), remedy)


def _fill(message: str, detail: str) -> str:
    return (
        message.replace("{detail}", detail)
        if detail
        else message.replace(" ({detail})", "").replace("{detail}", "an unknown share")
    )
