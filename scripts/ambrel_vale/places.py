"""The named places: where each lies, who owns it, what stands on it, how its ground is paved."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import Polygon

from ambrel_vale.frame import slab

Box = tuple[float, float, float, float]
"""Centre and size within a site, as shares of its length and depth: along, across, length, depth."""


@dataclass(frozen=True)
class Block:
    """A building of a site: its box, its height, roof form and what is known of its roof."""

    box: Box
    height_m: float = 4.5
    roof: str = "flat"
    year: int = 1974
    use: str = "civic"
    deck: str = "unknown"
    ballast: str = "unknown"
    is_listed: bool = False


@dataclass(frozen=True)
class Place:
    """A named site in local metres, its buildings and paved ground; what is left is planted."""

    name: str
    x: float
    y: float
    length_m: float
    depth_m: float
    angle_deg: float
    land_use: str
    owner_class: str
    buildings: tuple[Block, ...] = ()
    paved: tuple[tuple[Box, str, str], ...] = ()
    planted: str = "grass"
    planted_use: str = ""
    renewal_year: int | None = None

    @property
    def outline(self) -> Polygon:
        """Return the site's outline before streets are taken from it."""
        return slab(self.x, self.y, self.length_m, self.depth_m, self.angle_deg)

    def part(self, box: Box) -> Polygon:
        """Return a part of the site, given in shares of its length and depth from the lower left corner."""
        from shapely.affinity import rotate

        along, across, length, depth = box
        plain = slab(
            self.x + (along - 0.5) * self.length_m,
            self.y + (across - 0.5) * self.depth_m,
            length * self.length_m,
            depth * self.depth_m,
        )
        return rotate(plain, self.angle_deg, origin=(self.x, self.y))


def _school(deck: str, ballast: str, year: int) -> tuple[Block, ...]:
    use = "school"
    return (
        Block((0.30, 0.66, 0.34, 0.15), 7.2, "flat", year, use, deck, ballast),
        Block((0.18, 0.42, 0.10, 0.26), 7.0, "flat", year, use, deck, ballast),
        Block((0.40, 0.42, 0.10, 0.26), 4.2, "flat", year, use, deck, ballast),
        Block((0.57, 0.66, 0.12, 0.22), 8.6, "flat", year, use, deck, ballast),
    )


def _sheds(rows: int, columns: int, year: int, height_m: float, use: str) -> tuple[Block, ...]:
    """Return a field of thin steel sheds that leaves yards between them."""
    made = []
    for i in range(columns):
        for j in range(rows):
            box = ((i + 0.5) / columns, (j + 0.5) / rows, 0.74 / columns, 0.62 / rows)
            made.append(Block(box, height_m + 0.6 * ((i + j) % 3), "low_gable", year + 3 * i, use, "steel", "none"))
    return tuple(made)


_ALL: Box = (0.5, 0.5, 0.98, 0.96)

PLACES: tuple[Place, ...] = (
    Place(
        "Ambrel Secondary School", 1570.0, 1250.0, 262.0, 205.0, 6.0, "school", "council", _school("concrete",
        "gravel", 1974),
        (((0.29, 0.43, 0.14, 0.30), "asphalt", "playground"), ((0.32, 0.21, 0.46, 0.20), "asphalt", "playground"),
         ((0.20, 0.86, 0.36, 0.24), "asphalt", "car_park"), ((0.60, 0.87, 0.38, 0.22), "asphalt", "car_park"),
         ((0.74, 0.60, 0.14, 0.26), "asphalt", "playground")), "grass", "pitch", 2027,
    ),
    Place(
        "Station Car Park", 1226.0, 1408.0, 152.0, 50.0, -42.0, "highway", "council", (),
        ((_ALL, "asphalt", "car_park"),), "garden", "", 2027,
    ),
    Place(
        "Ambrel Vale Station", 1178.0, 1376.0, 150.0, 26.0, -40.0, "railway", "public_body",
        (Block((0.55, 0.62, 0.36, 0.45), 6.2, "gable", 1866, "railway", "timber", "none", is_listed=True),),
        (((0.5, 0.5, 0.96, 0.9), "block_paving", "yard"),), "garden",
    ),
    Place(
        "Market Hall", 862.0, 1264.0, 66.0, 56.0, 2.0, "civic", "council",
        (Block((0.5, 0.5, 0.78, 0.62), 9.5, "gable", 1858, "market", "timber", "none", is_listed=True),),
        (((0.5, 0.5, 1.0, 1.0), "block_paving", "yard"),), "garden",
    ),
    Place(
        "Market Hall Car Park", 956.0, 1268.0, 96.0, 66.0, 2.0, "civic", "council", (),
        ((_ALL, "asphalt", "car_park"),), "garden", "", 2029,
    ),
    Place(
        "Civic Centre", 756.0, 1290.0, 92.0, 84.0, 3.0, "civic", "council",
        (Block((0.5, 0.62, 0.62, 0.34), 14.0, "flat", 1971, "offices", "concrete", "slabs"),
         Block((0.5, 0.27, 0.80, 0.34), 4.2, "flat", 1971, "podium", "concrete", "slabs")),
        (((0.5, 0.5, 0.98, 0.98), "concrete", "yard"),), "garden", "", 2030,
    ),
    Place(
        "Ambrel Library", 600.0, 1268.0, 62.0, 46.0, 4.0, "civic", "council",
        (Block((0.46, 0.56, 0.56, 0.56), 5.2, "flat", 1968, "library", "concrete", "gravel"),),
        (((0.5, 0.14, 0.9, 0.2), "block_paving", "yard"),), "garden", "", 2031,
    ),
    Place(
        "Terrace Road Health Centre", 452.0, 1304.0, 84.0, 58.0, 4.0, "health", "public_body",
        (Block((0.38, 0.6, 0.56, 0.52), 4.6, "flat", 1986, "health", "concrete", "none"),),
        (((0.83, 0.5, 0.28, 0.9), "asphalt", "car_park"),), "garden", "", 2032,
    ),
    Place(
        "Water Meadow Long-Stay Car Park", 470.0, 1062.0, 230.0, 56.0, -3.0, "highway", "council", (),
        ((_ALL, "asphalt", "car_park"),), "grass", "", 2028,
    ),
    Place(
        "Weir Street Primary", 742.0, 622.0, 118.0, 92.0, 2.0, "school", "council",
        (Block((0.36, 0.70, 0.52, 0.24), 4.6, "flat", 1966, "school", "concrete", "gravel"),
         Block((0.20, 0.42, 0.18, 0.28), 4.4, "flat", 1966, "school", "concrete", "gravel")),
        (((0.47, 0.40, 0.32, 0.32), "asphalt", "playground"),
         ((0.86, 0.72, 0.22, 0.44), "asphalt", "car_park")), "grass", "", 2028,
    ),
    Place(
        "Hillfoot Primary", 872.0, 1865.0, 120.0, 96.0, 0.0, "school", "council",
        (Block((0.36, 0.72, 0.54, 0.24), 4.6, "flat", 1978, "school", "concrete", "none"),
         Block((0.72, 0.52, 0.16, 0.26), 6.0, "low_gable", 1996, "school", "steel", "none")),
        (((0.38, 0.40, 0.44, 0.32), "asphalt", "playground"),
         ((0.86, 0.84, 0.22, 0.26), "asphalt", "car_park")), "grass",
    ),
    Place(
        "Orle Mill Estate", 1150.0, 782.0, 350.0, 186.0, -8.0, "industry",
        "private_single", _sheds(3, 4, 1961, 7.5, "industry"),
        (((0.5, 0.5, 0.97, 0.96), "concrete", "goods_yard"),), "garden",
    ),
    Place(
        "Tannery Yard", 1430.0, 722.0, 150.0, 140.0, -20.0, "industry", "private_many", _sheds(2, 2, 1957, 6.5,
        "industry"),
        (((0.5, 0.5, 0.95, 0.95), "concrete", "goods_yard"),), "garden",
    ),
    Place(
        "Depot Lane Bus Depot", 1590.0, 640.0, 122.0, 92.0, -36.0, "depot", "public_body",
        (Block((0.34, 0.6, 0.52, 0.56), 8.0, "low_gable", 1983, "depot", "steel", "none"),),
        (((0.5, 0.5, 0.96, 0.96), "concrete", "fuel"),), "garden",
    ),
    Place(
        "Hillfoot Playing Field", 236.0, 1741.0, 176.0, 84.0, -5.0, "pitch", "council", (),
        (((0.06, 0.5, 0.09, 0.5), "gravel", "car_park"),), "grass", "pitch", 2029,
    ),
    Place(
        "Ambrel Cottage Hospital", 2290.0, 1450.0, 190.0, 170.0, -4.0, "health", "public_body",
        (Block((0.34, 0.66, 0.46, 0.22), 10.5, "flat", 1979, "health", "concrete", "gravel"),
         Block((0.24, 0.36, 0.20, 0.24), 7.5, "flat", 1979, "health", "concrete", "gravel"),
         Block((0.50, 0.36, 0.18, 0.24), 7.5, "flat", 1991, "health", "concrete", "none")),
        (((0.82, 0.5, 0.30, 0.86), "asphalt", "car_park"),
         ((0.37, 0.11, 0.5, 0.14), "asphalt", "car_park")), "garden", "", 2033,
    ),
    Place(
        "Goosefield Superstore", 1062.0, 1318.0, 128.0, 112.0, -22.0, "retail", "private_single",
        (Block((0.5, 0.70, 0.84, 0.46), 7.4, "flat", 1994, "retail", "steel", "none"),),
        (((0.5, 0.5, 0.98, 0.98), "asphalt", "car_park"),), "garden",
    ),
    Place(
        "Viaduct Yard", 1378.0, 1180.1, 93.0, 27.0, -48.0, "industry", "private_single", (),
        ((_ALL, "concrete", "yard"),), "garden",
    ),
    Place(
        "Goosefield Car Park", 1190.0, 1236.0, 120.0, 74.0, 35.0, "highway", "council", (),
        ((_ALL, "asphalt", "car_park"),), "garden", "", 2031,
    ),
    Place(
        "Orle Leisure Centre", 1265.0, 1070.0, 180.0, 108.0, -28.0, "civic", "council",
        (Block((0.26, 0.62, 0.42, 0.58), 9.0, "low_gable", 1989, "leisure", "steel", "none"),
         Block((0.26, 0.22, 0.30, 0.22), 4.4, "flat", 1989, "leisure", "concrete", "none")),
        (((0.74, 0.5, 0.50, 0.94), "asphalt", "car_park"),), "grass", "", 2030,
    ),
    Place(
        "Cattle Market", 1400.0, 985.0, 150.0, 84.0, -38.0, "industry", "council",
        (Block((0.3, 0.55, 0.4, 0.5), 7.0, "low_gable", 1964, "market", "steel", "none"),),
        ((_ALL, "concrete", "goods_yard"),), "grass", "", 2034,
    ),
    Place("Terrace Road Cemetery", 300.0, 1455.0, 176.0, 130.0, -5.0, "open", "council", (), (), "grass"),
    Place("Orle Gardens", 1085.0, 1060.0, 104.0, 100.0, -6.0, "park", "council", (), (((0.5, 0.5, 0.04, 0.9),
    "gravel", "yard"),), "grass"),
    Place("Brookside Allotments", 1850.0, 1235.0, 86.0, 150.0, 0.0, "open", "council", (), (), "garden"),
    Place("Mill Lane Recreation Ground", 1230.0, 480.0, 150.0, 110.0, -8.0, "pitch", "council", (), (), "grass",
    "pitch"),
    Place("Upper Green", 1250.0, 2010.0, 150.0, 130.0, 0.0, "park", "council", (), (), "grass"),
    Place("Rib Hill Park", 560.0, 180.0, 170.0, 230.0, -12.0, "park", "council", (), (), "woodland"),
    Place(
        "Brookside Retail Park", 2030.0, 1215.0, 150.0, 130.0, -3.0, "retail", "private_single",
        (Block((0.5, 0.76, 0.94, 0.36), 8.5, "flat", 1998, "retail", "steel", "none"),
         Block((0.14, 0.34, 0.20, 0.36), 6.5, "flat", 2003, "retail", "steel", "none")),
        (((0.5, 0.5, 0.98, 0.98), "asphalt", "car_park"),), "garden",
    ),
)  # fmt: skip
