"""How true the bores of drilled plugs are taken to be. It loads nothing: the options of a command name it too."""

BORE_U95_MM = 0.01
"""Half-width of the interval of the bore of a plug that is used alone: an assumption."""
SET_BORE_U95_MM = 0.005
"""The same of the openings of one set, as a series uses them: half the field of holes reamed to H7, 10 um up to 3 mm
and 12 um up to 6 mm (ISO 286-2), or half a step of the pin gauges (0.01 mm) that they were measured with."""
