import sumpglass_board.app

sumpglass_board.app.main()  # noqa: E702
