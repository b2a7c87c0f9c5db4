"""Printable parts: rendered by OpenSCAD to a mesh that a slicer takes: closed, right side out, of the right size."""

import re
import shutil
import subprocess
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

PRINTABLE = Path(__file__).parents[2] / "hardware" / "printable"
pytestmark = pytest.mark.skipif(shutil.which("openscad") is None, reason="needs openscad")


def triangles(path):
    """(n, 3, 3) vertices of an ASCII STL, mm."""
    numbers = re.findall(r"vertex\s+(\S+)\s+(\S+)\s+(\S+)", path.read_text())
    return np.array(numbers, dtype=float).reshape(-1, 3, 3)


def faults_of(mesh):
    """Edges that are not shared by triangles running opposite ways: holes, and triangles turned inside out."""
    corners = [[tuple(corner) for corner in triangle] for triangle in np.round(mesh, 5).tolist()]
    edges = Counter((t[k], t[(k + 1) % 3]) for t in corners for k in range(3))
    return [edge for edge, count in edges.items() if edges.get((edge[1], edge[0]), 0) != count]


def volume_mm3(mesh):
    return float(np.einsum("ij,ij->i", mesh[:, 0], np.cross(mesh[:, 1], mesh[:, 2])).sum() / 6.0)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    def render(name):
        out = tmp_path_factory.mktemp("stl") / f"{name}.stl"
        done = subprocess.run(
            ["openscad", "-q", "-o", str(out), str(PRINTABLE / f"{name}.scad")], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        assert "WARNING" not in done.stderr
        return triangles(out)

    return render


def test_watertight_check_finds_a_hole():
    cube = np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 0, 0], [0, 0, 1], [1, 0, 0]],
                     [[0, 0, 0], [0, 1, 0], [0, 0, 1]], [[1, 0, 0], [0, 0, 1], [0, 1, 0]]], dtype=float)  # fmt: skip
    assert faults_of(cube) == []
    assert volume_mm3(cube) == pytest.approx(-1 / 6), "these triangles face inwards"
    assert volume_mm3(cube[:, ::-1]) == pytest.approx(1 / 6)
    assert faults_of(cube[:3]) != []


def test_holder(rendered):
    mesh = rendered("rig_holder")
    assert faults_of(mesh) == []
    size = np.ptp(mesh.reshape(-1, 3), axis=0)
    assert size[2] == pytest.approx(11.4, abs=0.01)
    assert 85 < size[0] < 110
    assert 8_000 < volume_mm3(mesh) < 30_000


def test_drilled_plugs(rendered):
    mesh = rendered("drilled_plugs")
    assert faults_of(mesh) == []
    size = np.ptp(mesh.reshape(-1, 3), axis=0)
    assert size[:2] == pytest.approx([4 * 28 + 3 * 4, 2 * 28 + 4], abs=0.2)
    assert volume_mm3(mesh) > 20_000
    # Seven separate bodies: count by flooding shared corners.
    corners = {}
    parent = list(range(len(mesh)))

    def root(k):
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for n, triangle in enumerate(np.round(mesh, 4).tolist()):
        for corner in map(tuple, triangle):
            parent[root(n)] = root(corners.setdefault(corner, n))
    assert len({root(n) for n in range(len(mesh))}) == 7
