"""Map files of the right kind that call for other files, for the network, or for more than a computer has."""

from __future__ import annotations

import os
import sqlite3
import struct
import zipfile
import zlib
from contextlib import closing

import pytest
import shapely

from tests.hostile.ground import CANARY, collection, dumps, geopackage, kml, layer
from tests.quick import first

# ---- GeoJSON ----------------------------------------------------------------------------------------


def link(ground, kind="link", key="href"):
    return {"type": kind, "properties": {key: f"{ground.url}/crs", "type": "proj4"}}


def text(ground, **more):
    return dumps(collection(**more))


SYSTEMS = {
    "a system behind a link": lambda g: text(g, crs=link(g)),
    "a system behind an address": lambda g: text(g, crs=link(g, "url", "url")),
    "the link in capitals": lambda g: text(g, crs=link(g, "LINK")),
    "the key in capitals": lambda g: text(g, CRS=link(g)),
    "the key in escapes": lambda g: text(g, crs=link(g)).replace('"crs"', '"\\u0063r\\u0073"'),
    "the kind in escapes": lambda g: text(g, crs=link(g)).replace('"link"', '"l\\u0069nk"'),
    "a second system after the first": lambda g: text(g, crs=link(g)).replace('"crs"', '"crs": null, "crs"'),
    "the link on a feature alone": lambda g: dumps({**collection()["features"][0], "crs": link(g)}),
    "the link on a shape alone": lambda g: dumps({"type": "Point", "coordinates": [9, 56], "crs": link(g)}),
    "a comma too many": lambda g: text(g, crs=link(g)).replace("}}", ",}}", 1),
    "the link at the very end": lambda g: dumps({**collection(), "x": "y" * 200_000, "crs": link(g)}),
    "a mark of bytes before it": lambda g: "\ufeff" + text(g, crs=link(g)),
    "a long description": lambda g: text(
        g, crs={"type": "link", "x": "y" * 200_000, "properties": link(g)["properties"]}
    ),
}


@pytest.mark.parametrize("content", first(3, SYSTEMS.values()), ids=SYSTEMS)
@pytest.mark.parametrize("ending", first(1, [".geojson", ".json"]))
def test_a_system_behind_a_link_is_never_fetched(ground, capsys, content, ending, monkeypatch):
    monkeypatch.setenv("no_proxy", "*")  # so that nothing but the look at the file stands before the network
    ground.load(capsys, ground.put(f"bridges{ending}", content(ground)))


@pytest.mark.slow
def test_a_system_named_by_an_address_or_a_path_is_not_fetched(ground, capsys):
    for n, name in enumerate((f"{ground.url}/crs", str(ground.outside / "canary.prj"), "/vsicurl/" + ground.url)):
        system = {"type": "name", "properties": {"name": name}}
        content = dumps(collection(crs=system)).replace('"010"', f'"01{n}"')
        ground.load(capsys, ground.put(f"bridges{n}.geojson", content), code=0)


def test_a_property_called_like_a_system_is_no_link(ground, capsys):
    content = collection(crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}})
    content["features"][0]["properties"] |= {"crs": "link", "bridge_id": "020"}
    ground.load(capsys, ground.put("bridges.geojson", dumps(content)), code=0)


@pytest.mark.parametrize(
    "body", first(1, ["[" * 200_000, '{"a":' * 200_000, '{"type":"FeatureCollection","features":' * 5000])
)
@pytest.mark.parametrize("ending", first(1, [".geojson", ".json"]))
def test_deep_nesting_is_refused(ground, capsys, body, ending):
    ground.load(capsys, ground.put(f"bridges{ending}", body))
    ground.load(capsys, ground.put(f"surveys{ending}", body + '"BID01"'))


def test_a_shape_of_nested_collections_is_refused_or_left_out(ground, capsys):
    shape = '{"type":"GeometryCollection","geometries":[' * 3000 + "]}" * 3000
    body = '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"bridge_id":"1"},"geometry":%s}]}'
    ground.load(capsys, ground.put("bridges.geojson", body % shape))


# ---- KML --------------------------------------------------------------------------------------------


def test_links_of_a_document_are_not_followed(ground, capsys):
    inner = (
        f"<name>030</name><styleUrl>{ground.url}/s.kml#a</styleUrl><ExtendedData>"
        f'<Data name="bridge_id"><value>030</value></Data><SchemaData schemaUrl="{ground.url}/x#y">'
        '<SimpleData name="bridge_id">030</SimpleData></SchemaData></ExtendedData>'
    )
    links = "".join(
        f"<NetworkLink><Link><href>{to}</href></Link></NetworkLink>"
        for to in (f"{ground.url}/x.kml", (ground.outside / "canary.kml").as_uri(), "../outside/canary.kml")
    )
    body = kml(inner).replace("</Document>", f"{links}</Document>")
    ground.load(capsys, ground.put("bridges.kml", body), code=None)


ENTITIES = {
    "a file as an entity": '<!DOCTYPE kml [<!ENTITY c SYSTEM "{canary}">]>',
    "a document type over the network": '<!DOCTYPE kml SYSTEM "{url}/kml.dtd">',
    "an entity over the network": '<!DOCTYPE kml [<!ENTITY % p SYSTEM "{url}/p.dtd"> %p;]>',
    "entities within entities": "<!DOCTYPE kml [<!ENTITY a0 'aaaaaaaaaa'>"
    + "".join(f"<!ENTITY a{n} '{f'&a{n - 1};' * 10}'>" for n in range(1, 12))
    + "<!ENTITY c '&a11;'>]>",
}


@pytest.mark.parametrize("head", first(1, ENTITIES.values()), ids=ENTITIES)
@pytest.mark.parametrize("encoding", first(1, ["utf-8", "utf-16"]))
def test_a_document_type_is_refused(ground, capsys, head, encoding):
    head = head.format(canary=ground.canary.as_uri(), url=ground.url) if "{" in head else head
    body = kml("<name>&c;</name>", head).replace("UTF-8", encoding.upper())
    ground.load(capsys, ground.put("bridges.kml", body.encode(encoding)))
    body = f"<?xml version='1.0'?>{'<!-- x -->' * 2000}{kml('<name>&c;</name>', head).split('?>', 1)[1]}"
    ground.load(capsys, ground.put("bridges2.kml", body))


def packed(path, members, **how):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def test_a_packed_document_is_unpacked_nowhere_but_in_its_own_place(ground, capsys):
    names = ("../../outside/up.kml", "/tmp/absolute-up.kml", "..\\..\\outside\\up.kml", "C:\\up.kml", "a/../../up.kml")  # noqa: S108
    body = kml("<name>040</name>").replace("</Document>", "<NetworkLink><href>../x.kml</href></NetworkLink></Document>")
    ground.load(capsys, packed(ground.inbox / "bridges.kmz", {"doc.kml": body, **dict.fromkeys(names, body)}))
    assert not (ground.outside / "up.kml").exists()


@pytest.mark.slow
def test_packed_documents_that_fill_the_memory_are_refused(ground, capsys):
    packed(ground.inbox / "bridges.kmz", {"doc.kml": b" " * 30_000_000})
    ground.load(capsys, ground.inbox / "bridges.kmz")
    packed(ground.inbox / "bridges.kmz", {"doc.kml": kml("<name>x</name>", f"<!DOCTYPE kml SYSTEM '{ground.url}'>")})
    ground.load(capsys, ground.inbox / "bridges.kmz")
    packed(ground.inbox / "bridges.kmz", {"files/picture.png": b"x"})
    ground.load(capsys, ground.inbox / "bridges.kmz")


def false_size(path, name, content):
    """An archive whose member says that it is small, and is not."""
    squeezed = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = squeezed.compress(content) + squeezed.flush()
    head = struct.pack("<HHHHHIIIHH", 20, 0, 8, 0, 0, zlib.crc32(content), len(body), 100, len(name), 0)
    local = b"PK\3\4" + head + name.encode()
    entry = b"PK\1\2\x14\0" + head + struct.pack("<HHHII", 0, 0, 0, 0, 0) + name.encode()
    end = b"PK\5\6" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(entry), len(local) + len(body), 0)
    path.write_bytes(local + body + entry + end)
    return path


@pytest.mark.parametrize("ending", first(1, [".kmz", ".zip", ".xlsx", ".ods"]))
def test_a_member_larger_than_it_says_is_refused(ground, capsys, ending):
    name = {".kmz": "doc.kml", ".zip": "bridges.csv", ".xlsx": "xl/workbook.xml", ".ods": "content.xml"}[ending]
    ground.load(capsys, false_size(ground.inbox / f"bridges{ending}", name, b" " * 40_000_000))


# ---- GeoPackage -------------------------------------------------------------------------------------

VIEW = "CREATE VIEW defects AS "
WORKING = {
    "a view that asks a service": (VIEW + "SELECT 1 AS fid, ogr_geocode('{url}') AS a", ("ogr_geocode",)),
    "a view that reads a raster": (
        VIEW + "SELECT 1 AS fid, gdal_get_pixel_value('/vsicurl/{url}/x.tif', 1, 'georef', 0, 0) AS a",
        ("gdal_get_pixel_value",),
    ),
    "a view that loads code": (VIEW + "SELECT load_extension('{folder}/x.so') AS a", ()),
    "a view that never ends": (
        VIEW + "WITH RECURSIVE r(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM r) SELECT max(n) AS fid, 'x' AS a FROM r",
        (),
    ),
    "a view that fills the memory": (VIEW + "SELECT 1 AS fid, hex(zeroblob(900000000)) AS a", ()),
    "a view over itself": ("CREATE VIEW a AS SELECT * FROM b; CREATE VIEW b AS SELECT * FROM a", ()),
    "a table of another file": ("CREATE VIRTUAL TABLE defects USING VirtualOGR('{canary}')", ()),
    "a table of a folder": ("CREATE VIRTUAL TABLE defects USING fsdir", ()),
    "a table of text": ("CREATE VIRTUAL TABLE defects USING csv(filename='{outside}/canary.csv')", ()),
    "a table over the network": ("CREATE VIRTUAL TABLE defects USING VirtualOGR('/vsicurl/{url}/x')", ()),
    "a virtual table behind a note": ("CREATE /* x */ VIRTUAL TABLE defects USING VirtualOGR('{canary}')", ()),
    "a column that is worked out": (
        "CREATE TABLE d (fid INTEGER PRIMARY KEY, a AS (ogr_geocode('x')))",
        ("ogr_geocode",),
    ),
    "the list of layers as a view": (
        "ALTER TABLE gpkg_contents RENAME TO g; CREATE VIEW gpkg_contents AS SELECT * FROM g",
        (),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", first(3, WORKING))
def test_a_geopackage_that_works_on_being_read_is_refused(ground, capsys, name):
    statements, functions = WORKING[name]
    words = {"url": ground.url, "folder": ground.inbox, "outside": ground.outside, "canary": ground.canary}
    path = geopackage(ground.inbox / "bridges.gpkg")
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA legacy_alter_table = ON")
        for name in functions:
            db.create_function(name, -1, lambda *_: None, deterministic=True)
        for statement in statements.split("; "):
            made = statement.format(**words) if "{" in statement else statement
            if "VIRTUAL" in made:  # by hand, since the kind of table is not known here
                db.execute("PRAGMA writable_schema = ON")
                db.execute("INSERT INTO sqlite_master VALUES ('table', 'defects', 'defects', 0, ?)", [made])
            else:
                db.execute(made)
        db.commit()
    said = ground.load(capsys, path)
    assert "question to be worked out" in said or "worked out by a formula" in said


def test_what_happens_on_writing_does_not_happen_on_reading(ground, capsys):
    path = geopackage(
        ground.inbox / "bridges.gpkg",
        "CREATE TABLE told (a TEXT)",
        "CREATE TRIGGER t AFTER INSERT ON bridges BEGIN INSERT INTO told VALUES (load_extension('x')); END",
        "CREATE TABLE checked (a TEXT CHECK (length(a) < 3), b DEFAULT (hex(randomblob(5))))",
    )
    ground.load(capsys, path, code=0)


def test_a_name_of_a_layer_is_never_part_of_a_statement(ground, capsys):
    name = 'bridges"); ATTACH "x.db" AS x; --'
    path = layer(ground.inbox / "bridges.gpkg", {"bridge_id": ["050"]}, layer=name)
    ground.load(capsys, path, code=0)


def test_the_log_of_a_geopackage_is_read_and_nothing_is_left_beside_it(ground, capsys):
    path = geopackage(
        ground.inbox / "first.gpkg", "CREATE TABLE more (fid INTEGER PRIMARY KEY, bridge_id TEXT, name TEXT)"
    )
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("INSERT INTO more VALUES (1, '060', 'In the log')")
        db.commit()
        for part in ("", "-wal"):
            (ground.inbox / f"bridges.gpkg{part}").write_bytes((ground.inbox / f"first.gpkg{part}").read_bytes())
    said = ground.load(capsys, ground.inbox / "bridges.gpkg", code=0)
    assert "2 rows read" in said
    assert not (ground.inbox / "bridges.gpkg-shm").exists()


def test_a_journal_that_names_another_file_to_be_removed_is_not_played(ground, capsys):
    path = geopackage(ground.inbox / "bridges.gpkg")
    size = path.stat().st_size // 4096
    victim = str(ground.outside / "canary.csv").encode()
    head = bytes.fromhex("d9d505f920a163d7") + struct.pack(">IIIII", 0, 0, size, 512, 4096)
    tail = struct.pack(">I", 1) + victim + struct.pack(">II", len(victim), sum(victim)) + head[:8]
    ground.put("bridges.gpkg-journal", head.ljust(512, b"\0") + tail)
    said = ground.load(capsys, path)
    assert "journal" in said


def test_a_companion_that_leads_elsewhere_is_left_alone(ground, capsys):
    path = geopackage(ground.inbox / "bridges.gpkg", "PRAGMA journal_mode = WAL")
    (ground.inbox / "bridges.gpkg-shm").symlink_to(ground.outside / "canary.csv")
    ground.load(capsys, path, code=0)


# ---- FlatGeobuf, shapefile, drawing -----------------------------------------------------------------


def patched(data, at, value):
    return data[:at] + value + data[at + len(value) :]


@pytest.mark.parametrize("size", first(1, [0xFFFFFFFF, 0x7FFFFFFF, 0x10000000, 0]))
def test_sizes_in_the_header_of_flatgeobuf_are_not_believed(ground, capsys, size):
    data = layer(ground.inbox / "seed.fgb").read_bytes()
    (ground.inbox / "seed.fgb").unlink()
    ground.load(capsys, ground.put("bridges.fgb", patched(data, 8, struct.pack("<I", size))))
    ground.load(capsys, ground.put("bridges2.fgb", data[:12] + b"\xff" * 400))


def shapefile(ground, stem="bridges"):
    layer(ground.inbox / f"{stem}.shp", {"bridge_id": ["070"]})
    return ground.inbox / f"{stem}.shp"


@pytest.mark.parametrize("ending", first(1, [".shp", ".shx", ".dbf"]))
def test_sizes_in_the_headers_of_a_shapefile_are_not_believed(ground, capsys, ending):
    path = shapefile(ground)
    part = path.with_suffix(ending)
    at, value = (4, struct.pack("<I", 0x7FFFFFF0)) if ending == ".dbf" else (24, struct.pack(">I", 0x7FFFFFF0))
    part.write_bytes(patched(part.read_bytes(), at, value))
    ground.load(capsys, path, code=None)


def test_a_part_of_a_shapefile_in_another_folder_is_not_followed(ground, capsys):
    path = shapefile(ground)
    other = layer(ground.folder / "canary.shp").with_suffix(".dbf")
    capsys.readouterr()
    path.with_suffix(".dbf").unlink()
    path.with_suffix(".dbf").symlink_to(other)
    said = ground.load(capsys, path)
    assert "link to another folder" in said
    for part in ground.folder.glob("canary.*"):
        part.unlink()


GRIDS = {
    "a grid by its path": "+proj=longlat +datum=WGS84 +nadgrids={outside}/canary.prj +no_defs",
    "a grid over the network": "+proj=longlat +ellps=GRS80 +nadgrids={url}/grid.gsb +no_defs",
    "a file of systems": "+init={outside}/canary.prj:1",
    "a model of heights": "+proj=longlat +ellps=GRS80 +geoidgrids=/vsicurl/{url}/x.gtx +no_defs",
}


@pytest.mark.parametrize("system", first(2, GRIDS.values()), ids=GRIDS)
def test_a_system_that_rests_on_another_file_is_refused(ground, capsys, system):
    system = system.format(outside=ground.outside, url=ground.url)
    path = shapefile(ground)
    path.with_suffix(".prj").write_text(
        'GEOGCS["x",DATUM["x",SPHEROID["x",6378137,298.257],EXTENSION["PROJ4_GRIDS","'
        f'{system.rsplit("=", 1)[-1].split()[0]}"]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433],'
        f'EXTENSION["PROJ4","{system}"]]'
    )
    ground.load(capsys, path)


def drawing(entities, blocks=""):
    return (
        f"  0\nSECTION\n  2\nHEADER\n  0\nENDSEC\n  0\nSECTION\n  2\nBLOCKS\n{blocks}  0\nENDSEC\n"
        f"  0\nSECTION\n  2\nENTITIES\n{entities}  0\nENDSEC\n  0\nEOF\n"
    )


def test_a_drawing_that_refers_to_another_is_read_alone(ground, capsys):
    block = (
        "  0\nBLOCK\n  8\n0\n  2\nX\n 70\n4\n 10\n0\n 20\n0\n  3\nX\n  1\n"
        f"{ground.outside / 'canary.dxf'}\n  0\nENDBLK\n"
    )
    ground.load(capsys, ground.put("defects.dxf", drawing("  0\nINSERT\n  8\n0\n  2\nX\n 10\n0\n 20\n0\n", block)))


def test_blocks_within_blocks_do_not_fill_the_memory(ground, capsys):
    def block(n, inside):
        return f"  0\nBLOCK\n  8\n0\n  2\nB{n}\n 10\n0\n 20\n0\n{inside}  0\nENDBLK\n"

    def insert(n):
        return f"  0\nINSERT\n  8\n0\n  2\nB{n}\n 10\n1\n 20\n1\n"

    blocks = block(0, "  0\nPOINT\n  8\n0\n 10\n1\n 20\n1\n")
    blocks += "".join(block(n, insert(n - 1) * 10) for n in range(1, 12))
    ground.load(capsys, ground.put("defects.dxf", drawing(insert(11), blocks)))
    round_ = block(0, insert(1)) + block(1, insert(0))
    ground.load(capsys, ground.put("spalls.dxf", drawing(insert(1), round_)))
    wide = "  0\nINSERT\n  8\n0\n  2\nB0\n 10\n1\n 20\n1\n 70\n32000\n 71\n32000\n 44\n1\n 45\n1\n"
    ground.load(capsys, ground.put("holes.dxf", drawing(wide, block(0, "  0\nPOINT\n  8\n0\n 10\n1\n 20\n1\n"))))


# ---- names, places, things that are no files ---------------------------------------------------------


@pytest.mark.slow
def test_names_that_a_library_would_take_apart_are_names(ground, capsys):
    names = (
        "a!bridges.geojson", "a;bridges.geojson", "bridges?x=1.geojson", "a#bridges.geojson", "a.zip!bridges.geojson",
        "GeoJSON:bridges.geojson", "WFS:http:bridges.geojson", "zip:bridges.geojson", "bridges%2f.geojson",
        "PG:dbname=x bridges.geojson", "-bridges.geojson ".strip() + "x.geojson", "{bridges}.geojson",
    )  # fmt: skip
    for n, name in enumerate(names):
        body = dumps(collection()).replace('"010"', f'"10{n}"')
        ground.load(capsys, ground.put(name, body), code=0)
    deep = ground.inbox / "x!" / "vsizip" / "y;z.zip"
    deep.mkdir(parents=True)
    (deep / "bridges.geojson").write_text(dumps(collection()).replace('"010"', '"120"'))
    ground.load(capsys, deep / "bridges.geojson", code=0)


def test_what_stands_where_a_mark_cuts_a_name_is_not_read_instead(ground, capsys, monkeypatch):
    folder = ground.inbox / "x!"
    folder.mkdir()
    own = folder / "bridges.gpkg"
    own.write_bytes(geopackage(ground.inbox / "own.gpkg").read_bytes())
    layer(ground.inbox / "bridges.gpkg", layer="bridges")  # the canary where the cut name would lead
    monkeypatch.chdir(ground.inbox)
    ground.load(capsys, own, code=0)


@pytest.mark.slow
def test_addresses_are_no_files(ground, capsys):
    for name in (
        f"/vsicurl/{ground.url}/bridges.geojson", f"{ground.url}/bridges.geojson", "WFS:" + ground.url,
        f"/vsizip/{ground.inbox}/x.zip/bridges.geojson", "/vsistdin/bridges.geojson", "PG:host=127.0.0.1",
        f"zip+http://127.0.0.1:{ground.listener.port}/x.zip!bridges.gpkg",
    ):  # fmt: skip
        from pathlib import Path

        said = ground.load(capsys, Path(name))
        assert "no such file" in said


@pytest.mark.slow
def test_pipes_devices_and_folders_under_the_name_of_a_file_do_not_hang(ground, capsys):
    from pathlib import Path

    pipe = ground.inbox / "bridges.geojson"
    os.mkfifo(pipe)
    assert "a device or a pipe" in ground.load(capsys, pipe)
    for device in ("/dev/zero", "/dev/null", "/dev/stdin"):
        if Path(device).exists() and not Path(device).is_file():
            ground.load(capsys, Path(device))
    for name in ("bridges.gpkg", "bridges.shp", "bridges.xlsx"):
        (ground.inbox / name).mkdir()
        ground.load(capsys, ground.inbox / name)
    linked = ground.inbox / "bridges.csv"
    linked.symlink_to("/dev/zero")
    ground.load(capsys, linked)
    round_ = ground.inbox / "round.csv"
    round_.symlink_to(round_)
    ground.load(capsys, round_)


def test_links_out_of_a_folder_are_not_followed(ground, capsys):
    folder = ground.inbox / "survey"
    folder.mkdir()
    (folder / "bridges.geojson").write_text(dumps(collection()).replace('"010"', '"130"'))
    (folder / "more.geojson").symlink_to(ground.canary)
    (folder / "all").symlink_to(ground.outside, target_is_directory=True)
    said = ground.load(capsys, folder, code=0)
    assert "link to a place outside the folder is not followed" in said


def test_an_archive_is_unpacked_nowhere_but_in_its_own_place(ground, capsys):
    body = dumps(collection()).replace('"010"', '"140"')
    names = ("../../outside/up.geojson", "../up.geojson", "..\\..\\up.geojson")
    path = packed(ground.inbox / "records.zip", dict.fromkeys(names, body))
    with zipfile.ZipFile(path, "a") as archive:
        entry = zipfile.ZipInfo("linked.geojson")
        entry.create_system, entry.external_attr = 3, 0o120777 << 16
        archive.writestr(entry, str(ground.canary))
    capsys.readouterr()
    from decknet.cli import main

    before, asked = ground.seen(), len(ground.listener.asked)
    main(["load", str(ground.store), str(path)])
    said = capsys.readouterr()
    assert "Traceback" not in said.err + said.out
    assert "linked.geojson" in said.err  # the name of a file, read as text, is no map data
    assert ground.seen() == before
    assert ground.listener.asked[asked:] == []
    assert ground.held()[0] >= 1


def test_what_the_library_could_do_before_it_can_do_afterwards(ground, capsys):
    import pyogrio

    before = set(pyogrio.list_drivers())
    proxy = pyogrio.get_gdal_config_option("GDAL_HTTP_PROXY")
    ground.load(capsys, ground.put("bridges.kml", "x"))
    ground.load(capsys, ground.put("bridges.fgb", b"fgb\3fgb\0" + b"\xff" * 99))
    assert set(pyogrio.list_drivers()) == before
    assert pyogrio.get_gdal_config_option("GDAL_HTTP_PROXY") == proxy
    assert CANARY
    assert shapely.Point(0, 0).is_valid
