"""From the finished disk to pictures that people can open.

The rooms, in the order in which a picture passes through them:

- `recipe`: what a person can ask for: an ordered list of steps, each with a few settings; the recipes of a session.
- `picture`: the records handed on: the finished picture, its frame (where the disk lies on it), what was done.
- `stretch`: the canvas and the tone curve.
- `make`: a recipe applied to a disk, ``recipe -> Picture``. The numerics stand in `diskmosaic.arrays`.
- `formats`: a picture written as PNG, TIFF, JPEG.
- `piece`: a picture with its words, written in any of these.
- `export`: all recipes of a session into OUT.

Import from the rooms; this file holds nothing, so that looking at a recipe loads no picture library.
"""
