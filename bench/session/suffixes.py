"""Which format a recording's name stands for."""

TEXT = (".log", ".candump", ".txt")
PARQUET, MDF = (".parquet",), (".mf4", ".mdf")
FOREIGN = (".asc", ".blf", ".csv", ".db", ".trc")  # read through python-can
