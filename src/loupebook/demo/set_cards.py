"""Texts of the cards that lie beside rendered sets."""

from __future__ import annotations

_COMMON = """
**Nothing here is a photograph, and nothing here exists.** Makers, island, guarantee body,
people and sources are invented; any likeness to a real mark is chance. Every file says
"rendered, invented; not a photograph" in its metadata.

## How it was made
Vector artwork, a model of the printing press (inks, screens, register, foil, embossing,
ageing; for copies: scanning, redrawing, what gets lost), and a camera: shading in torch
with Lambert and GGX reflection, Fresnel gloss, foil that mirrors soft boxes, gratings by
the grating equation, UV-A fluorescence, soft shadows, depth of field, and five invented
phones (lens faults, shake, noise, white balance, tone, sharpening, JPEG). All from seeds.

## Limits
* Light does not bounce between objects (one bounce from the table is approximated), and
  reflections in foil show soft boxes and a room gradient, not the neighbouring objects.
* Fingers, cut feet and rounded heads of background cigars are simple shapes.
* Neighbouring cigars wear the same specimen's print.
* Fakes are copies as we imagine that copies are made. How well anything works here says
  little about real items: judge a real set by its own report.
"""

DEMO_CARD = f"""# Demo set
An invented world to learn the tool with: bands, seals and caps of ten invented marques,
genuine specimens of two house runs and specimens of three fake print origins an edition,
from clumsy to very good. One fake origin of every edition is held back for
`demo_queries`. `manifest.csv` is in the project's manifest format; seals are shown under
diffuse, UV-A and tilted light, bands under diffuse, raking and tilted light.
{_COMMON}"""

QUERY_CARD = f"""# Held-out queries for the demo set
Photos to put to the demo set, none of which is in it. `truth.csv` says what each shows;
its column `group` is one of: *genuine, new specimen*; *fake, known origin*; *fake, unseen
origin* (no specimen of that printing is in the set); *unknown marque* (from another
invented world); *poor photo* (blurred, dark, far or strongly compressed).
{_COMMON}"""

WORLD_CARD = f"""# Rendered set of invented world {{seed}}
Bands, seals and caps of invented marques with a manifest in the project's format.
{_COMMON}"""
