"""The recharge desk on the page: charges that want drying, and a run weighing by weighing."""
