"""Builders of measurements and grids, and what the reference program says where it is installed."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from zonemap.geostat.covariance import site_covariance
from zonemap.values.arrays import FloatArray
from zonemap.values.basis import Basis
from zonemap.values.covariate import RasterCovariate
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.variogram import Variogram

# Peer and published cases, all in one run of the reference program (Pebesma 2004). 17 digits go both ways.
_SCRIPT = """
suppressMessages({library(gstat); library(sp)})
data(meuse, package = "sp")
write.csv(meuse[, c("x", "y", "zinc")], "meuse.csv", row.names = FALSE)
options(digits = 17)
sites <- read.csv("sites.csv"); coordinates(sites) <- ~x+y
targets <- read.csv("targets.csv"); coordinates(targets) <- ~x+y
models <- list(spherical = vgm(1.3, "Sph", 260, 0.4), exponential = vgm(1.3, "Exp", 120, 0.4),
               matern_3_2 = vgm(1.3, "Mat", 60, 0.4, kappa = 1.5), matern_5_2 = vgm(1.3, "Mat", 50, 0.4, kappa = 2.5))
for (family in names(models)) {
  k <- krige(z ~ 1, sites, targets, models[[family]], block = c(30, 30), set = list(nblockdiscr = 4), debug.level = 0)
  write.table(format(as.data.frame(k)[, 3:4], digits = 17), paste0(family, ".txt"),
              row.names = FALSE, col.names = FALSE, quote = FALSE)
}
turned <- vgm(1.3, "Exp", 120, 0.4, anis = c(30, 0.4))
k <- krige(z ~ 1, sites, targets, turned, block = c(30, 30), set = list(nblockdiscr = 4), debug.level = 0)
write.table(format(as.data.frame(k)[, 3:4], digits = 17), "turned.txt",
            row.names = FALSE, col.names = FALSE, quote = FALSE)
more <- read.csv("sites.csv")[, 1:3]; more <- rbind(more, c(210.5, 333.25, 0)); coordinates(more) <- ~x+y
k <- krige(z ~ 1, more, targets, turned, block = c(30, 30), set = list(nblockdiscr = 4), debug.level = 0)
write.table(format(as.data.frame(k)[, 3:4], digits = 17), "one_more.txt",
            row.names = FALSE, col.names = FALSE, quote = FALSE)
k <- krige(z ~ y, sites, targets, vgm(1.3, "Exp", 120, 0.4), debug.level = 0)
write.table(format(as.data.frame(k)[, 3:4], digits = 17), "drift.txt",
            row.names = FALSE, col.names = FALSE, quote = FALSE)
sites$e <- read.csv("elevation.csv")$e
cells <- read.csv("cells.csv"); coordinates(cells) <- ~x+y
k <- krige(z ~ e, sites, cells, vgm(1.3, "Exp", 120, 0.4), block = c(30, 30), set = list(nblockdiscr = 4),
           debug.level = 0)
write.table(format(as.data.frame(k)[, 3:4], digits = 17), "raster_drift.txt",
            row.names = FALSE, col.names = FALSE, quote = FALSE)
v <- variogram(z ~ 1, sites, cutoff = 300, width = 25)
write.table(format(v[, 1:3], digits = 17), "variogram.txt", row.names = FALSE, col.names = FALSE, quote = FALSE)
lattice <- expand.grid(x = 25 * 0:5, y = 25 * 0:5); lattice$z <- (7 * lattice$x + 3 * lattice$y) %% 40
coordinates(lattice) <- ~x+y
v <- variogram(z ~ 1, lattice, cutoff = 100, width = 25)
write.table(format(v[, 1:3], digits = 17), "lattice.txt", row.names = FALSE, col.names = FALSE, quote = FALSE)
"""


@pytest.fixture(scope="session")
def peer_sites() -> tuple[FloatArray, FloatArray]:
    """(40, 2) points and values with a trend and a swing: any numbers will do."""
    rng = np.random.default_rng(11)
    sites = np.round(rng.uniform(0, 500, (40, 2)), 3)
    return sites, np.round(5 + np.sin(sites[:, 0] / 90) + sites[:, 1] / 200 + rng.normal(0, 0.4, 40), 6)


@pytest.fixture(scope="session")
def peer_targets() -> FloatArray:
    """(25, 2) block centres, some outside the sampled box."""
    return np.column_stack([axis.ravel() for axis in np.meshgrid(np.linspace(-40, 540, 5), np.linspace(-40, 540, 5))])


@pytest.fixture(scope="session")
def peer_elevation() -> tuple[RasterCovariate, Callable[[FloatArray], FloatArray]]:
    """Return a raster of 10 m and, by another interpolator, its means over squares of 30 m about (m, 2) places."""
    rows, columns = np.mgrid[0:70, 0:70]
    raster = RasterCovariate("elevation", -100.0, 600.0, 10.0, 200 + 3 * np.sin(rows / 7) + 2 * np.cos(columns / 9))
    axis = 10.0 * np.arange(70) + 5.0
    surface = RegularGridInterpolator((axis - 100.0, axis - 100.0), raster.value[::-1])
    offset = 7.5 * np.arange(4) - 11.25

    def means(places: FloatArray) -> FloatArray:
        around = [surface(places[:, ::-1] + [north, east]) for north in offset for east in offset]
        return np.mean(around, axis=0)

    return raster, means


@pytest.fixture(scope="session")
def reference(
    tmp_path_factory: pytest.TempPathFactory,
    peer_sites: tuple[FloatArray, FloatArray],
    peer_targets: FloatArray,
    peer_elevation: tuple[RasterCovariate, Callable[[FloatArray], FloatArray]],
    square_grid: Callable[..., Grid],
) -> Path:
    """Folder with the reference program's answers."""
    if shutil.which("Rscript") is None:
        pytest.skip("R is not installed: no reference program")
    folder = tmp_path_factory.mktemp("reference")
    sites, value = peer_sites
    header = {"delimiter": ",", "comments": "", "fmt": "%.17g"}
    np.savetxt(folder / "sites.csv", np.column_stack([sites, value]), header="x,y,z", **header)
    np.savetxt(folder / "targets.csv", peer_targets, header="x,y", **header)
    cells, means = np.column_stack(square_grid(510.0, 17).centres()), peer_elevation[1]
    np.savetxt(folder / "elevation.csv", means(sites), header="e", **header)
    np.savetxt(folder / "cells.csv", np.column_stack([cells, means(cells)]), header="x,y,e", **header)
    (folder / "script.R").write_text(_SCRIPT)
    run = subprocess.run(["Rscript", "script.R"], cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    if "there is no package called" in run.stderr:
        pytest.skip("the R packages gstat and sp are not installed")
    assert run.returncode == 0, run.stderr
    return folder


@pytest.fixture(scope="session")
def meuse(reference: Path) -> FloatArray:
    """(155, 3) easting, northing and topsoil zinc (ppm) of the Meuse flood plain, public data of the package sp."""
    return np.loadtxt(reference / "meuse.csv", delimiter=",", skiprows=1)


@pytest.fixture(scope="session")
def measure() -> Callable[..., Measurements]:
    """Build measurements from (n, 2) points and (n,) values."""

    def build(
        sites: FloatArray,
        value: FloatArray,
        *,
        quantity: str = "K",
        repeatability_cv: float = 0.15,
        replicates: FloatArray | None = None,
        replicate_variance: FloatArray | None = None,
    ) -> Measurements:
        n = len(value)
        return Measurements(
            quantity=quantity,
            unit="kg/ha/day",
            basis=Basis("resin", burial_days=4.0),
            sample=tuple(str(k) for k in range(n)),
            easting_m=sites[:, 0],
            northing_m=sites[:, 1],
            value=value,
            replicates=np.ones(n, dtype=int) if replicates is None else replicates,
            replicate_variance=np.full(n, np.nan) if replicate_variance is None else replicate_variance,
            repeatability_cv=repeatability_cv,
            censored=np.zeros(n, dtype=bool),
        )

    return build


@pytest.fixture(scope="session")
def square_grid() -> Callable[..., Grid]:
    """Build a square grid whose south-west corner is the origin."""

    def build(side_m: float, cells: int) -> Grid:
        cell_m = side_m / cells
        return Grid("EPSG:32614", 0.0, side_m, cell_m, np.full((cells, cells), cell_m**2))

    return build


@pytest.fixture(scope="session")
def simulate() -> Callable[..., tuple[FloatArray, FloatArray]]:
    """Draw (n, 2) points in a square and a Gaussian field at them, noise included."""

    def draw(*, count: int, side_m: float, variogram: Variogram, seed: int) -> tuple[FloatArray, FloatArray]:
        rng = np.random.default_rng(seed)
        sites = rng.uniform(0, side_m, (count, 2))
        return sites, np.linalg.cholesky(site_covariance(sites, variogram)) @ rng.standard_normal(count)

    return draw
