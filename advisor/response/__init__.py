"""The valve's response: physics of screw and lag, the regression, what each row teaches, the job at one moment."""
