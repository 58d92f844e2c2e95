"""What every report and field sheet has to say beside the results."""

CAUTIONS = (
    ("Buried services and ordnance", "A map of conductivity is not a clearance for buried services or ordnance. Before "
     "any digging ask the owners of cables and pipes and follow the local rules. Where ordnance is possible: stop, "
     "mark, leave, call the authority; never probe an anomaly."),
    ("Absence", "Absence on the map is no proof of absence: a feature shows only when its contrast, size and depth "
     "suit the instrument, the spacing of the traverses and the ground of the day."),
    ("Permission", "The owner's permission, and a licence where the site is protected, are needed before walking."),
    ("Walking", "Lightning, traffic, livestock, electric fences and slopes endanger the person who walks. No survey "
     "while thunder can be heard."),
    ("Implanted devices", "Wearers of implanted medical devices follow their doctor and the maker of the device."),
    ("Human remains", "When human remains come to light: stop, and inform the authority that the law names."),
    ("Site coordinates", "The coordinates in this survey may need protection: think before publishing them where "
     "looting is likely."),
    ("Law", "The law of the place and licensed practice decide. The software is a help for processing; it interprets "
     "nothing and comes without warranty."),
)  # fmt: skip
"""Heading and sentences of each caution."""
