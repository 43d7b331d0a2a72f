"""Test methods: one module (or package) each, with settings, `run` and `evaluate`.

May import bench, devices' interfaces, metrology, axis and findings; never a plan, a record or pytest.
"""
