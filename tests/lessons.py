"""Lessons with their outputs: executing and storing them, and holding one execution against another.

``python tests/lessons.py`` executes every lesson and stores what came out; ``python tests/lessons.py compare FOLDER`` holds the
stored lessons against those executed in FOLDER. Both need the extras ``notebooks`` and ``physics``.
"""

import base64
import hashlib
import io
import json
import re
import sys
from pathlib import Path

import numpy as np

LESSONS = Path(__file__).parent.parent / "notebooks"
NUMBER = re.compile(r"[-−]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
RELATIVE, ABSOLUTE = 5e-3, 2e-2  # of numbers, which lessons print rounded: another machine or library may round the other way
DARK, NEAR, MISSED = 0.8, 4, 0.01  # what is darker counts as drawn; so many pixels apart is the same place; share that may differ


def read(path):
    return json.loads(Path(path).read_text(encoding="utf-8"))


def source(cell):
    return "".join(cell["source"])


def code_hash(notebook):
    """SHA-256 of the code cells, in their order."""
    code = "\0".join(source(cell) for cell in notebook["cells"] if cell["cell_type"] == "code")
    return hashlib.sha256(code.encode()).hexdigest()


def outputs(notebook):
    """(number of the code cell, output) in their order."""
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    return [(k, output) for k, cell in enumerate(cells, 1) for output in cell["outputs"]]


def pictures(notebook):
    """(number of the code cell, kind, data) of every picture: bytes of a PNG, text of an SVG."""
    for k, output in outputs(notebook):
        data = output.get("data", {})
        if "image/png" in data:
            yield k, "png", base64.b64decode("".join(data["image/png"]))
        elif "image/svg+xml" in data:
            yield k, "svg", "".join(data["image/svg+xml"])


def pixels(png):
    """Lightness of a PNG, 0 to 1, shape (height, width)."""
    import matplotlib.image

    return matplotlib.image.imread(io.BytesIO(png), format="png")[..., :3].mean(axis=-1)


def same_text(a, b):
    """Whether two texts agree, numbers within rounding and whatever the white space."""
    words = [re.sub(r"\s+", " ", NUMBER.sub("#", text)).strip() for text in (a, b)]
    numbers = [[float(x.replace("−", "-")) for x in NUMBER.findall(text)] for text in (a, b)]
    return words[0] == words[1] and np.allclose(*numbers, rtol=RELATIVE, atol=ABSOLUTE)


def same_picture(a, b):
    """Whether all that is drawn in one picture is drawn in the other, within the few pixels by which fonts and libraries differ."""
    from scipy.ndimage import binary_dilation

    a, b = pixels(a), pixels(b)
    if max(abs(np.subtract(a.shape, b.shape))) > 2 * NEAR:
        return False
    height, width = np.minimum(a.shape, b.shape)
    inks = [x[:height, :width] < DARK for x in (a, b)]
    near = [binary_dilation(ink, iterations=NEAR) for ink in inks]
    missed = [(ink & ~other).sum() / max(1, ink.sum()) for ink, other in zip(inks, reversed(near), strict=True)]
    return max(missed) < MISSED


def _text(output):
    return "".join(output.get("text", "")) or "".join(output.get("data", {}).get("text/plain", ""))


def differences(stored, fresh):
    """What a stored lesson shows otherwise than a fresh execution of it, a line each."""
    if code_hash(stored) != code_hash(fresh):
        return ["the code is not the same"]
    one, other = outputs(stored), outputs(fresh)
    if [(k, sorted(o.get("data", ["text"]))) for k, o in one] != [(k, sorted(o.get("data", ["text"]))) for k, o in other]:
        return ["outputs are not of the same number or kind"]
    found = [f"code cell {k}: other text" for (k, a), (_, b) in zip(one, other, strict=True) if not same_text(_text(a), _text(b))]
    for (k, kind, a), (_, _, b) in zip(pictures(stored), pictures(fresh), strict=True):
        if not (same_picture(a, b) if kind == "png" else same_text(a, b)):
            found.append(f"code cell {k}: another picture")
    return found


def _smaller(png):
    """The same picture in 64 colours: a third of the bytes, and no difference that one sees."""
    from PIL import Image

    file = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(64, method=Image.Quantize.MEDIANCUT).save(file, "PNG", optimize=True)
    return file.getvalue()


def execute(path):
    """Execute a lesson and store it with its outputs, without whatever changes from one execution to the next."""
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}).execute()
    for cell in notebook.cells:
        cell.metadata = {key: value for key, value in cell.metadata.items() if key == "jupyter"}  # which code is hidden
        for output in cell.get("outputs", []):
            if "image/png" in output.get("data", {}):
                png = base64.b64decode(output["data"]["image/png"])
                output["data"]["image/png"] = base64.b64encode(_smaller(png)).decode()
    notebook.metadata.clear()
    notebook.metadata.update(
        kernelspec={"display_name": "Python 3", "language": "python", "name": "python3"},
        language_info={"name": "python"},
        outputs_of_code=code_hash(notebook),
    )
    nbformat.write(notebook, path)


def main(words):
    paths = sorted(LESSONS.glob("*.ipynb"))
    if words[:1] != ["compare"]:
        for path in paths:
            if not words or any(path.name.startswith(word) for word in words):
                print(path.name, flush=True)
                execute(path)
        return 0
    found = [f"{path.name}: {line}" for path in paths for line in differences(read(path), read(Path(words[1]) / path.name))]
    sheet = "clamp_meter_sheet.html"
    if not same_text(*((folder / sheet).read_text(encoding="utf-8") for folder in (LESSONS, Path(words[1])))):
        found.append(f"{sheet}: not as the lesson writes it")
    if found:
        print(*found, "Stored outputs are stale: python tests/lessons.py makes them anew; look at them.", sep="\n")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
