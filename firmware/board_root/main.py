from sumpglass_board import boot

boot.main()
