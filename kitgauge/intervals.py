"""What turns a standard error into an interval. Standard library only: plans start without NumPy."""

NORMAL_95 = 1.959963984540054  # 97.5 % point of the normal distribution: the ends of a 95 % interval
