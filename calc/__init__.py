"""Targets, tolerances, decisions.  No picture and no terminal is known here.

Modules, each with one job:

- `quantities`: the one pint registry, and text to quantity;
- `formatting`: amounts and measured results as text, in forms that are hard to misread;
- `syringe`: what ISO 7886-1 permits a syringe, and the conventions of its scale;
- `tolerance`: how far from the target is still near enough;
- `decision`: within, outside or undecided, by JCGM 106.
"""
