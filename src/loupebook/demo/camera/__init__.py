"""The camera of the demo world: one scene description, two renderers, several phones.

Conventions of this room: world units are millimetres, z points up, the item lies near the
origin. Colours are linear-light sRGB unless a name says ``srgb``. Arrays of scenes carry the
scene index first. Picture arrays are (row, column).
"""
