from tests.unit.synthetic.invented import small_clinic  # noqa: F401
