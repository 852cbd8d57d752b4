"""``groundpace board``: a calibration board to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.console import print_text, result_console
from cli.options import WordChoice
from flow.choices import BOARDS, PAPERS

if TYPE_CHECKING:
    from calib.boards import BoardKind

# Written out, so that --help and a progress bar need not wait for OpenCV; a test holds them against the library's.
BOARD_FORM = "KIND:COLSxROWS:SIZE"


class BoardType(click.ParamType["BoardKind"]):
    """A board on the command line, as ``KIND:COLSxROWS:SIZE``."""

    name = BOARD_FORM
    words = BOARDS

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str | None:
        """Give the form of a board as it is written; click would put it in capitals."""
        return BOARD_FORM if isinstance(param, click.Option) else None

    def convert(self, value: str | BoardKind, param: click.Parameter | None, ctx: click.Context | None) -> BoardKind:
        """Turn the text into a board, or say what is wrong with it (exit 2)."""
        if not isinstance(value, str):
            return value
        from calib.boards import parse_board
        from flow.errors import DataError

        try:
            return parse_board(value)
        except DataError as error:
            self.fail(error.problem, param, ctx)


@click.command(short_help="Draw a calibration board to print.")
@click.argument("board", type=BoardType())
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE.svg|FILE.pdf",
    help="The file to write; its suffix sets the format.",
)
@click.option(
    "--paper",
    type=WordChoice(PAPERS, case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper size; portrait or landscape, whichever fits.",
)
def board(board: BoardKind, output: Path, paper: str) -> None:
    """Draw a calibration board to print, at true scale.

    BOARD is KIND:COLSxROWS:SIZE. For a chessboard COLSxROWS counts inner corners and SIZE is the side of a square
    in metres. For circles it counts discs and SIZE is their spacing. For charuco it counts squares; a charuco board
    may be partly hidden in an image.

    Print at 100 % and measure both 100 mm lines. Glue the sheet onto something stiff and flat: a bent board gives a
    wrong lens.

    \b
    Examples:
      groundpace board chessboard:9x6:0.025 --output board.pdf
      groundpace board charuco:11x8:0.03 --paper a3 --output board.svg
    """
    from calib.print_board import print_board

    art = print_board(board, output, paper)
    console = result_console()
    print_text(console, f"written: {output} ({board} on {art.paper}, {art.width_mm:g} x {art.height_mm:g} mm)")
    print_text(console, "print at 100 %, not fitted to the page; both check lines must measure 100 mm")
