"""Path-traced photographs of invented syringes, with the truth of how each was made.

``scene`` says what is there, ``syringe`` turns one barrel into surfaces and volumes,
``printing`` draws its scale, ``camera`` projects, ``trace`` renders (needs the ``render``
extra), ``post`` does what a phone does to a picture, ``truth`` writes down what is true.
Only ``trace`` imports the renderer, so everything else can be checked without it.
"""
