"""``xrfmap describe --guess``: readings of a block of numbers that nobody has described."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import typer

from xrfmap.cli.common import DONE, print_json

__all__ = ["guess_files"]

SMALLEST = 200  # pixels of the shorter side of a picture, for the eye


def guess_files(file: Path, folder: Path, as_json: bool) -> int:
    """Propose cards, and write a picture of each reading.

    Parameters
    ----------
    file : Path
        The block.
    folder : Path
        Where the pictures go, as ``NAME.guess-1.png`` and so on; made if missing.
    as_json : bool
        Print JSON.

    Returns
    -------
    int
        Exit code.

    Raises
    ------
    InputError
        If no reading looks like a scan, or a picture cannot be written.
    """
    from xrfmap.io.guess import card_text, guess_cards, picture_text

    found = guess_cards(file)
    folder.mkdir(parents=True, exist_ok=True)
    pictures = [
        _write(folder / f"{file.name}.guess-{number}.png", guess.picture)
        for number, guess in enumerate(found, 1)
    ]
    if as_json:
        print_json(
            [
                {
                    "card": card_text(guess.card),
                    "mark": round(guess.mark, 3),
                    "because": guess.because,
                    "picture": str(path),
                }
                for guess, path in zip(found, pictures, strict=True)
            ]
        )
        return DONE
    for number, (guess, path) in enumerate(zip(found, pictures, strict=True), 1):
        typer.echo(f"reading {number}, mark {guess.mark:.2f} of 1: {guess.because}; see {path}")
        typer.echo(f"\n{card_text(guess.card)}")
        if number == 1:
            typer.echo(picture_text(guess.picture) + "\n")
    typer.echo(
        f"A guess is no knowledge: compare the pictures with the painting, then write the card "
        f"that fits to {file.name}.toml beside the file, with the live time if you know it."
    )
    return DONE


def _write(path: Path, picture: npt.NDArray[np.float64]) -> Path:
    from PIL import Image

    from xrfmap.io.results import atomic_write

    low, high = np.percentile(picture, [1, 99])
    shade = np.clip((picture - low) / (high - low if high > low else 1.0), 0, 1)
    times = max(1, -(-SMALLEST // min(picture.shape)))
    image = Image.fromarray((255 * shade).round().astype(np.uint8))
    image = image.resize((image.width * times, image.height * times), Image.Resampling.NEAREST)
    with atomic_write(path) as part:
        image.save(part, format="PNG")
    return path
