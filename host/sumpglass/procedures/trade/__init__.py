"""The trade's tests, one a file. A module here with a constant `TEST` is found by `trade_test.all_tests`."""
