"""`python -m kinematics`."""

from kinematics.cli.program import main

if __name__ == "__main__":
    main()
