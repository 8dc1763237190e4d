import pytest

from tests.imaging.synthetic import Scene, photograph


@pytest.fixture(scope="session")
def plain():
    """An easy photo: dark cracks, marker, straight from above."""
    return photograph(Scene(seed=11, width=1200, height=900, field_mm=120.0, spacing_mm=7.0, crack_share=0.13))


@pytest.fixture(scope="session")
def plain_file(plain, tmp_path_factory):
    path = tmp_path_factory.mktemp("photos") / "panel.jpg"
    path.write_bytes(plain[0])
    return path
