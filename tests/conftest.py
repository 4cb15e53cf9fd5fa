"""What all tests share: hypothesis sets no time limit on an example, since a busy machine is no defect."""

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
