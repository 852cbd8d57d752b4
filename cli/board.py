"""``groundpace board``: a calibration board to print."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Console

from calib.board_art import PAPERS_MM
from calib.boards import BOARD_FORM, BoardKind, parse_board
from calib.print_board import print_board
from cli.options import WordChoice
from flow.choices import BOARDS
from flow.errors import DataError

PAPERS = {name: f"{short_mm:g} x {long_mm:g} mm" for name, (short_mm, long_mm) in PAPERS_MM.items()}


class BoardType(click.ParamType[BoardKind]):
    """A board on the command line, as ``KIND:COLSxROWS:SIZE``."""

    name = BOARD_FORM
    words = BOARDS

    def convert(self, value: str | BoardKind, param: click.Parameter | None, ctx: click.Context | None) -> BoardKind:
        """Turn the text into a board, or say what is wrong with it (exit 2)."""
        if not isinstance(value, str):
            return value
        try:
            return parse_board(value)
        except DataError as error:
            self.fail(error.problem, param, ctx)


@click.command(short_help="Draw a calibration board to print.")
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
    type=WordChoice(PAPERS, case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper size, used upright or lengthwise.",
)
def board(board: BoardKind, output: Path, paper: str) -> None:
    r"""Draw a calibration board to print, at true scale.

    BOARD is KIND:COLSxROWS:SIZE. chessboard counts inner corners, SIZE is the side of a square in metres;
    circles counts discs, SIZE is their spacing; charuco counts squares, and may be partly hidden in a
    picture.

    Print at 100 %, measure both 100 mm lines, and glue the sheet onto something stiff and flat: a bent board
    bends the lens.

    \b
    Examples:
      groundpace board chessboard:9x6:0.025 --output board.pdf
      groundpace board charuco:11x8:0.03 --paper a3 --output board.svg
    """
    art = print_board(board, output, paper)
    say = Console(stderr=True, highlight=False, soft_wrap=True).print
    say(f"written: {output} ({board} on {art.paper}, {art.width_mm:g} x {art.height_mm:g} mm)")
    say("print at 100 %, not fitted to the page; both check lines must measure 100 mm")
