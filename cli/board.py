"""``groundpace board``: a calibration board to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console

if TYPE_CHECKING:
    from calib.boards import BoardKind


class BoardType(click.ParamType["BoardKind"]):
    """``KIND:COLSxROWS:SIZE`` on the command line."""

    name = "KIND:COLSxROWS:SIZE"

    def convert(self, value: str | BoardKind, param: click.Parameter | None, ctx: click.Context | None) -> BoardKind:
        """Turn the text into a board, or say what is wrong with it (exit 2)."""
        from calib.boards import parse_board
        from flow.errors import DataError

        if not isinstance(value, str):
            return value
        try:
            return parse_board(value)
        except DataError as error:
            self.fail(error.problem, param, ctx)


_PAPERS = ("a4", "a3", "a2", "a1", "a0", "letter", "legal", "tabloid")


@click.command(short_help="Write a calibration board to print.")
@click.argument("board", type=BoardType())
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE.svg|FILE.pdf",
    help="The file to write; its suffix says which kind.",
)
@click.option(
    "--paper",
    type=click.Choice(_PAPERS, case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper size.",
)
def board(board: BoardKind, output: Path, paper: str) -> None:
    r"""Write a calibration board to print at true scale.

    BOARD is KIND:COLSxROWS:SIZE. chessboard counts inner corners, SIZE is the side of a square in metres;
    circles counts discs, SIZE is their spacing; charuco counts squares and may be partly hidden in a picture.

    Print at 100 %, measure the two 100 mm lines, and glue the sheet to something stiff and flat: a bent board
    bends the lens.

    \b
    Examples:
      groundpace board chessboard:9x6:0.025 --output board.pdf
      groundpace board charuco:11x8:0.03 --paper a3 --output board.svg
    """
    from calib.print_board import print_board

    art = print_board(board, output, paper.lower())
    say = Console(stderr=True, highlight=False, soft_wrap=True).print
    say(f"written: {output} ({board} on {art.paper}, {art.width_mm:g} x {art.height_mm:g} mm)")
    say("print at 100 %; both check lines must measure 100 mm")
