"""Join stage: the guiding record read, its clock set right, its share in every exposure."""
