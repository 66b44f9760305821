import pytest
pytestmark = pytest.mark.slow
def test_x():
    from prefect import flow
    @flow
    def f(): return 3
    assert f() == 3
