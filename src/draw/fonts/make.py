#!/usr/bin/env python3
"""Makes the fonts that the figures are drawn with.

They are subsets of Inter (SIL Open Font License 1.1, see OFL.txt), renamed "Gainsay Sans" because they are modified:
two faces (Inter Regular, and Inter SemiBold in the place of bold), each as

- an OpenType file with all wanted characters, for measuring text and for drawing PNG;
- four WOFF2 files, split by script, of which an SVG carries only those that its text needs; `pieces.rs` lists which
  characters each holds.

Run with the folder that holds Inter-Regular.otf and Inter-SemiBold.otf:

    pip install 'fonttools==4.68.0' brotli
    python3 make.py /usr/share/fonts/opentype/inter      # Debian package fonts-inter
"""

import sys
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont

FAMILY = "Gainsay Sans"
FACES = {"regular": ("Inter-Regular.otf", "Regular", 400), "bold": ("Inter-SemiBold.otf", "Bold", 700)}
SYMBOLS = [0x2010, 0x2011, *range(0x2012, 0x2016), *range(0x2018, 0x201F), 0x2020, 0x2022, 0x2026, 0x202F, 0x2030,
           0x2032, 0x2033, 0x2116, 0x2122, 0x2039, 0x203A, 0x20AC, 0x2126, *range(0x2190, 0x2194), 0x2212, 0x2248, 0x2260, 0x2264,
           0x2265, 0x221E, 0x03C3, 0x03BC, 0x03A9, 0x0394]
PIECES = {
    "basic": [*range(0x20, 0x7F), *range(0xA0, 0x100), *SYMBOLS],
    "latin": [*range(0x100, 0x180), 0x18F, 0x192, 0x1A0, 0x1A1, 0x1AF, 0x1B0, *range(0x1CD, 0x1DD), 0x1E6, 0x1E7,
              *range(0x218, 0x21C), 0x232, 0x233, 0x259, 0x300, 0x301, 0x302, 0x303, 0x304, 0x306, 0x307, 0x308,
              0x30A, 0x30B, 0x30C, 0x327, 0x328, 0x1E9E, *range(0x1EA0, 0x1EFA)],
    "greek": [*range(0x384, 0x3CF)],
    "cyrillic": [*range(0x400, 0x460), 0x490, 0x491, 0x492, 0x493, 0x49A, 0x49B, 0x4A2, 0x4A3, 0x4AE, 0x4AF, 0x4B0,
                 0x4B1, 0x4BA, 0x4BB, 0x4D8, 0x4D9, 0x4E8, 0x4E9],
}


def subset_font(source, style, weight, characters, target, flavor=None):
    options = subset.Options()
    options.flavor = flavor
    options.hinting = False
    options.desubroutinize = False
    options.layout_features = ["kern", "mark", "mkmk", "ccmp", "locl"]
    options.name_IDs = [0, 1, 2, 4, 5, 6, 13, 14]
    options.notdef_outline = True
    options.recalc_timestamp = False
    font = subset.load_font(str(source), options)
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=characters)
    cutter.subset(font)
    postscript = FAMILY.replace(" ", "") + "-" + style
    for record in font["name"].names:
        new = {1: FAMILY, 2: style, 4: f"{FAMILY} {style}", 6: postscript}.get(record.nameID)
        if new:
            record.string = new
    font["OS/2"].usWeightClass = weight
    bold = weight >= 700
    font["head"].macStyle = 1 if bold else 0
    font["OS/2"].fsSelection = (font["OS/2"].fsSelection & ~0x61) | (0x20 if bold else 0x40)
    top = font["CFF "].cff
    top.fontNames = [postscript]
    top.topDictIndex[0].FullName = f"{FAMILY} {style}"
    top.topDictIndex[0].FamilyName = FAMILY
    subset.save_font(font, str(target), options)
    font.close()


def ranges(characters):
    """Sorted characters as (first, last) pairs."""
    pairs = []
    for c in characters:
        if pairs and pairs[-1][1] == c - 1:
            pairs[-1][1] = c
        else:
            pairs.append([c, c])
    return pairs


def write_table(held, target):
    lines = ["//! Which characters each WOFF2 piece holds; written by `make.py`.", "",
             "/// Name of the piece, and its characters as ranges, both ends included.",
             "pub(in crate::draw) const PIECES: [(&str, &[(u32, u32)]); %d] = [" % len(held)]
    for piece, characters in held.items():
        lines += ["    (", f'        "{piece}",', "        &["]
        lines += [f"            (0x{first:04X}, 0x{last:04X})," for first, last in ranges(characters)]
        lines += ["        ],", "    ),"]
    target.write_text("\n".join(lines + ["];"]) + "\n")


def main():
    if len(sys.argv) != 2:
        sys.exit(f"usage: {sys.argv[0]} FOLDER-WITH-INTER")
    source, here = Path(sys.argv[1]), Path(__file__).parent
    everything = sorted({c for piece in PIECES.values() for c in piece})
    for face, (file, style, weight) in FACES.items():
        subset_font(source / file, style, weight, everything, here / f"{face}.otf")
        for piece, characters in PIECES.items():
            subset_font(source / file, style, weight, characters, here / f"{face}-{piece}.woff2", "woff2")
    held = set(TTFont(here / "regular.otf").getBestCmap()) & set(TTFont(here / "bold.otf").getBestCmap())
    write_table({piece: sorted(held & set(c)) for piece, c in PIECES.items()}, here / "pieces.rs")
    for file in sorted(here.glob("*.otf")) + sorted(here.glob("*.woff2")):
        print(f"{file.stat().st_size:7} {file.name}")


if __name__ == "__main__":
    main()
