"""What a user would write today for the same outputs, with PyKrige, scikit-learn, geopandas and rasterio.

    python tests/benchmarks/plain_script.py FIELD_FOLDER OUT_FOLDER [RUNS]

It makes the same files (GeoPackage, shapefiles, GeoTIFFs with mean and standard deviation, two pictures, summary.json)
from the same folder on the same 5 m grid. A block's mean is the mean of 4 x 4 kriged points in it; for the block's
variance, which point kriging cannot give, that of its centre stands. The number of zones is chosen from 1 to 8 by
expected loss, as in the summary. Where the libraries have no answer it does the simple thing: PyKrige's own variogram
fit, no test of structure, normal quantiles. Leave-one-out keeps the fitted variogram, which is the cheaper way. Nothing
is read back. RUNS times are printed, the first without the imports.
"""

import json
import sys
import time
import tomllib
from pathlib import Path

START = time.perf_counter()

import geopandas
import matplotlib as mpl
import numpy as np
import pandas as pd
import rasterio
import rasterio.features
import shapely
from pykrige.ok import OrdinaryKriging
from scipy.stats import norm
from sklearn.cluster import KMeans

mpl.use("Agg")
import matplotlib.pyplot as plt

CELL_M = 5.0
TAU = 0.75
LB_AC = 1.120851
# season total kg/ha at 12 t/ha of grain, midpoint and steepness of a logistic
CORN = {
    "N": (286, 55, 0.129),
    "P": (49.8, 65, 0.085),
    "K": (167.7, 50, 0.118),
    "S": (26, 65, 0.110),
    "Mg": (59, 55, 0.157),
    "Ca": (36.7, 50, 0.126),
    "Zn": (0.5, 65, 0.088),
}
OXIDES = {"P2O5": ("P", 1 / 2.2913), "K2O": ("K", 1 / 1.2046)}


def main(folder: Path, out: Path) -> None:
    config = tomllib.loads((folder / "field.toml").read_text())
    boundary = geopandas.read_file(folder / config["field"]["boundary"])
    crs = boundary.estimate_utm_crs()
    boundary = boundary.to_crs(crs)
    field = boundary.union_all()
    columns = config["samples"]["columns"]
    table = pd.read_csv(folder / config["samples"]["file"])
    samples = geopandas.GeoDataFrame(
        table,
        geometry=geopandas.points_from_xy(table[columns["longitude"]], table[columns["latitude"]]),
        crs=4326,
    ).to_crs(crs)
    east, north = samples.geometry.x.to_numpy(), samples.geometry.y.to_numpy()
    nutrients = [key for key in columns if key in CORN]

    west, south, right, top = field.bounds
    west, top = np.floor(west / CELL_M) * CELL_M, np.ceil(top / CELL_M) * CELL_M
    shape = (int(np.ceil((top - south) / CELL_M)), int(np.ceil((right - west) / CELL_M)))
    transform = rasterio.transform.from_origin(west, top, CELL_M, CELL_M)
    inside = rasterio.features.geometry_mask([field], shape, transform, all_touched=True, invert=True)
    row, column = np.nonzero(inside)
    cell_east, cell_north = west + (column + 0.5) * CELL_M, top - (row + 0.5) * CELL_M

    offsets = (np.arange(4) - 1.5) * CELL_M / 4
    point_east = np.concatenate([cell_east + a for a in offsets for _ in offsets])
    point_north = np.concatenate([cell_north + b for _ in offsets for b in offsets])

    (out / "surfaces").mkdir(parents=True, exist_ok=True)
    (out / "controller").mkdir(exist_ok=True)
    models, surfaces, deviations, summary = {}, {}, {}, {"nutrients": {}, "zones": [], "products": []}
    for nutrient in nutrients:
        value = samples[columns[nutrient]].to_numpy(float) * LB_AC
        kriging = OrdinaryKriging(east, north, value, variogram_model="exponential")
        models[nutrient] = kriging
        _, variance = kriging.execute("points", cell_east, cell_north, backend="C")
        points, _ = kriging.execute("points", point_east, point_north, backend="C")
        mean = np.asarray(points).reshape(16, -1).mean(axis=0)
        deviations[nutrient] = np.sqrt(np.maximum(variance, 0))
        errors, scores = [], []
        for left in range(len(value)):
            keep = np.arange(len(value)) != left
            one = OrdinaryKriging(
                east[keep],
                north[keep],
                value[keep],
                variogram_model="exponential",
                variogram_parameters=list(kriging.variogram_model_parameters),
            )
            predicted, predicted_variance = one.execute("points", east[left : left + 1], north[left : left + 1])
            errors.append(float(predicted[0]) - value[left])
            scores.append(errors[-1] / np.sqrt(float(predicted_variance[0])))
        summary["nutrients"][nutrient] = {
            "rmse": float(np.sqrt(np.mean(np.square(errors)))),
            "msdr": float(np.mean(np.square(scores))),
            "coverage_90": float(np.mean(np.abs(scores) < 1.645)),
        }
        surfaces[nutrient] = np.asarray(mean)
        bands = np.full((2, *shape), np.nan, dtype="float32")
        bands[0][inside], bands[1][inside] = mean, np.sqrt(np.maximum(variance, 0))
        with rasterio.open(
            out / "surfaces" / f"{nutrient}.tif",
            "w",
            driver="GTiff",
            height=shape[0],
            width=shape[1],
            count=2,
            dtype="float32",
            crs=crs,
            transform=transform,
            nodata=np.nan,
            compress="deflate",
        ) as raster:
            raster.write(bands)

    day = np.arange(131)
    factor = config["crop"]["yield_goal"] / 191.2
    scores = norm.ppf((np.arange(24) + 0.5) / 24)
    need, need_nodes = {}, {}
    for nutrient, surface in surfaces.items():
        total, midpoint, steepness = CORN[nutrient]
        daily = factor * total * np.diff(1 / (1 + np.exp(-steepness * (day - midpoint))))
        supply = np.linspace(0, daily.max(), 200)
        shortfall = np.array([np.maximum(daily - s, 0).sum() for s in supply])
        nodes = [np.interp(surface + z * deviations[nutrient], supply, shortfall) for z in scores]
        need_nodes[nutrient] = np.array(nodes)
        need[nutrient] = np.quantile(need_nodes[nutrient], TAU, axis=0)

    features = np.column_stack([(s - s.mean()) / s.std() for s in surfaces.values()])
    losses, labels = {}, {}
    for count in range(1, 9):
        labels[count] = KMeans(count, n_init=10, random_state=0).fit_predict(features) + 1
        losses[count] = 0.0
        for nodes in need_nodes.values():
            rate = np.array([np.quantile(nodes[:, labels[count] == zone], TAU) for zone in range(1, count + 1)])
            miss = nodes - rate[labels[count] - 1]
            losses[count] += np.maximum(miss * TAU, miss * (TAU - 1)).mean() / nodes.max()
    zone_count = next((c for c in range(1, 8) if losses[c] - losses[c + 1] < 0.05 * losses[1]), 8)
    label = labels[zone_count]
    summary["value"] = {"zones_loss": losses, "zones": zone_count}
    raster = np.zeros(shape, dtype="int32")
    raster[inside] = label
    pieces = rasterio.features.shapes(raster, mask=inside, transform=transform)
    polygons = [(shapely.geometry.shape(outline), int(zone)) for outline, zone in pieces]
    zones = geopandas.GeoDataFrame(
        {"zone": [zone for _, zone in polygons]}, geometry=[polygon for polygon, _ in polygons], crs=crs
    )
    zones = geopandas.clip(zones.dissolve("zone").reset_index(), boundary)

    zone_need = {
        nutrient: np.array([np.quantile(nodes[:, label == zone], TAU) for zone in range(1, zone_count + 1)])
        for nutrient, nodes in need_nodes.items()
    }
    applied = config["season"]["apply_on"][0] if config["season"].get("apply_on") else None
    for product in config["product"]:
        contents = {
            OXIDES.get(k, (k, 1))[0]: v / 100 * OXIDES.get(k, (k, 1))[1] for k, v in product["analysis"].items()
        }
        nutrient = max(contents, key=contents.get)
        rate = np.round(zone_need.get(nutrient, np.zeros(zone_count)) / contents[nutrient] / LB_AC)
        layer = zones.assign(
            rate=rate[zones.zone - 1], unit="lb/ac", product=product["name"], area=zones.area / 4046.856
        )
        layer = layer.explode(index_parts=False).to_crs(4326)
        name = product["name"].replace(" ", "_")
        layer.to_file(out / "controller" / f"{name}.shp")
        layer.to_file(out / "prescription.gpkg", layer=name)
        total = float((layer["rate"] * layer["area"]).sum())
        summary["products"].append({"product": product["name"], "date": str(applied), "total_lb": total})
    zones.to_file(out / "prescription.gpkg", layer="zones")
    samples.to_file(out / "prescription.gpkg", layer="samples")
    boundary.to_file(out / "prescription.gpkg", layer="boundary")

    figure, axes = plt.subplots(2, 4, figsize=(17.4, 9.3), layout="constrained")
    for axis, product in zip(axes[0], config["product"], strict=False):
        zones.plot("zone", ax=axis, edgecolor="black", cmap="viridis")
        axis.set_title(product["name"])
        axis.set_axis_off()
    for axis, (nutrient, surface) in zip(axes[1], surfaces.items(), strict=False):
        picture = np.full(shape, np.nan)
        picture[inside] = surface
        image = axis.imshow(picture, extent=(west, west + shape[1] * CELL_M, top - shape[0] * CELL_M, top))
        figure.colorbar(image, ax=axis)
        axis.scatter(east, north, s=5)
        axis.set_title(nutrient)
        axis.set_axis_off()
    figure.savefig(out / "map.png", dpi=110)
    plt.close(figure)
    figure, axes = plt.subplots(2, 4, figsize=(17.4, 8), layout="constrained")
    for axis, (nutrient, kriging) in zip(axes.flat, models.items(), strict=False):
        lag = np.linspace(0, kriging.lags.max(), 100)
        axis.scatter(kriging.lags, kriging.semivariance)
        axis.plot(lag, kriging.variogram_function(kriging.variogram_model_parameters, lag))
        axis.set_title(nutrient)
    figure.savefig(out / "variograms.png", dpi=110)
    plt.close(figure)
    (out / "summary.json").write_text(json.dumps(summary, indent=2))


if __name__ == "__main__":
    imports = time.perf_counter() - START
    times = []
    for run in range(int(sys.argv[3]) if len(sys.argv) > 3 else 1):
        begin = time.perf_counter()
        main(Path(sys.argv[1]), Path(sys.argv[2]) / f"run{run}")
        times.append(time.perf_counter() - begin)
    print(json.dumps({"imports_s": imports, "runs_s": times}))
