"""Reading pictures: files by independent writers (Pillow, tifffile), times, and files that are wrong."""

import numpy as np
import pytest
from drawn import as_8bit, hexagon_points, picture, png_header, polygon_mask
from PIL import Image

from icewright.measure import images
from icewright.measure.images import ImageError
from icewright.measure.times import TimeError, clock_seconds, name_seconds, with_times

tifffile = pytest.importorskip("tifffile")


@pytest.fixture
def ramp():
    return np.linspace(0, 65535, 40 * 61).reshape(40, 61).astype(np.uint16)


def one(path, **how):
    (item,) = images.items(path, **how)
    return images.load(item)


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_16_bits_keep_their_steps(tmp_path, ramp, suffix):
    path = tmp_path / f"ramp{suffix}"
    tifffile.imwrite(path, ramp) if suffix == ".tif" else Image.fromarray(ramp).save(path)
    got = one(path)
    assert got.shape == (40, 61, 1)
    assert got[:, :, 0] == pytest.approx(ramp / 65535.0, abs=1e-6)


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "P", "LA", "1"])
def test_every_mode_of_8_bits_is_read(tmp_path, ramp, mode):
    grey = Image.fromarray((ramp >> 8).astype(np.uint8))
    path = tmp_path / "x.png"
    grey.convert("RGB").convert(mode).save(path) if mode != "LA" else grey.convert("LA").save(path)
    got = one(path)
    assert got.shape[:2] == (40, 61)
    assert got.shape[2] in (1, 3)
    if mode not in ("1", "P"):
        assert got.mean(axis=2) == pytest.approx((ramp >> 8) / 255.0, abs=1 / 255)


def test_a_colour_stack_is_a_picture_for_each_page(tmp_path):
    stack = np.zeros((3, 30, 47, 3), np.uint8)
    stack[1, :, :, 0] = 255
    path = tmp_path / "s.tif"
    tifffile.imwrite(path, stack, photometric="rgb")
    found = images.items(path)
    assert [i.name for i in found] == ["s.tif[0]", "s.tif[1]", "s.tif[2]"]
    assert images.load(found[1])[0, 0].tolist() == [1.0, 0.0, 0.0]


def test_a_focus_stack_gives_its_sharpest_page(tmp_path):
    mask = polygon_mask(hexagon_points(30.0, 11.0, (60.0, 45.0)), (90, 121))
    pages = [as_8bit(picture(mask, blur_px=b, noise=0.0)) for b in (5.0, 0.7, 3.0)]
    path = tmp_path / "z.tif"
    tifffile.imwrite(path, np.stack(pages), imagej=True, metadata={"axes": "ZYX"})
    (item,) = images.items(path)
    assert item.pages == (0, 1, 2)
    assert images.load(item)[:, :, 0] == pytest.approx(pages[1] / 255.0)
    assert len(images.items(path, "time")) == 3


def test_frame_interval_of_a_stack_is_its_time(tmp_path):
    path = tmp_path / "t.tif"
    tifffile.imwrite(
        path, np.zeros((4, 20, 31), np.uint8), imagej=True, metadata={"axes": "TYX", "finterval": 2.5}
    )
    assert [i.time_s for i in images.items(path)] == [0.0, 2.5, 5.0, 7.5]


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("huge.png", png_header(30000, 30000), "too large"),
        ("large.png", png_header(13000, 13000), "too large"),
        ("text.png", b"this is a letter", "no picture"),
        ("empty.png", b"", "empty"),
        ("torn.tif", b"II*\0\x08\0\0\0", "damaged"),
    ],
)
def test_files_that_are_wrong_are_named_with_the_reason(tmp_path, name, content, word):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ImageError, match=word) as refused:
        images.items(path)
    assert name in str(refused.value)


def test_a_picture_of_one_pixel_is_refused(tmp_path):
    path = tmp_path / "dot.png"
    Image.fromarray(np.zeros((1, 1), np.uint8)).save(path)
    with pytest.raises(ImageError, match="too small"):
        images.items(path)


def test_a_torn_picture_is_refused_when_it_is_read(tmp_path, ramp):
    path = tmp_path / "torn.png"
    Image.fromarray(ramp).save(path)
    path.write_bytes(path.read_bytes()[:400])
    with pytest.raises(ImageError, match="damaged"):
        images.load(images.items(path)[0])


def test_a_wrong_ending_is_read_by_its_content_and_said(tmp_path, ramp):
    path = tmp_path / "photo.jpg"
    Image.fromarray((ramp >> 8).astype(np.uint8)).save(path, format="PNG")
    (item,) = images.items(path)
    assert "content is PNG" in item.note
    assert images.load(item).shape == (40, 61, 1)


def test_folders_are_read_in_the_order_of_numbers(tmp_path):
    for k in (10, 9, 1):
        Image.fromarray(np.zeros((20, 30), np.uint8)).save(tmp_path / f"p{k}.png")
    (tmp_path / "notes.txt").write_text("x")
    found, problems = images.find([tmp_path, tmp_path / "gone.png"])
    assert [p.name for p in found] == ["p1.png", "p9.png", "p10.png"]
    assert [p.name for p in problems] == [str(tmp_path / "gone.png")]


@pytest.mark.parametrize(
    ("name", "seconds"),
    [
        ("run_t12.5min.png", 750.0),
        ("t0040s.tif", 40.0),
        ("a_2h.png", 7200.0),
        ("cam_250ms.png", 0.25),
        ("plate7.png", None),
        ("sigma2.png", None),
    ],
)
def test_times_in_names(name, seconds):
    assert name_seconds(name)[0] == seconds


def test_clocks_in_names_and_metadata_differ_by_what_the_calendar_says():
    a = clock_seconds("cam_20260228_235930.png")
    b = clock_seconds("2026:03:01 00:00:00")
    assert b - a == 30.0
    assert clock_seconds("20261345_100000") is None


def items_named(tmp_path, *names):
    out = []
    for name in names:
        Image.fromarray(np.zeros((20, 30), np.uint8)).save(tmp_path / name)
        out += images.items(tmp_path / name)
    return out


def test_the_camera_clock_orders_pictures(tmp_path):
    for name, stamp in (("b.jpg", "2026:01:05 10:00:00"), ("a.jpg", "2026:01:05 10:01:30")):
        exif = Image.Exif()
        exif[306] = stamp
        Image.fromarray(np.zeros((20, 30), np.uint8)).save(tmp_path / name, exif=exif)
    found = [i for n in ("a.jpg", "b.jpg") for i in images.items(tmp_path / n)]
    out, words = with_times(found)
    assert [(i.name, i.time_s) for i in out] == [("b.jpg", 0.0), ("a.jpg", 90.0)]
    assert "camera clock" in words[0]


def test_a_csv_goes_before_names_and_must_be_whole(tmp_path):
    found = items_named(tmp_path, "t1s.png", "t2s.png")
    table = tmp_path / "times.csv"
    table.write_text("file;time_min\nt1s.png;0\nt2s.png;1.5\n")
    out, _ = with_times(found, table)
    assert [i.time_s for i in out] == [0.0, 90.0]
    table.write_text("file,time_s\nt1s.png,0\n")
    with pytest.raises(TimeError, match="t2s"):
        with_times(found, table)
    table.write_text("file,time_s\nt1s.png,soon\nt2s.png,1\n")
    with pytest.raises(TimeError, match="line 2"):
        with_times(found, table)


def test_without_any_time_there_is_none_and_it_is_said(tmp_path):
    out, words = with_times(items_named(tmp_path, "x.png", "y.png"))
    assert [i.time_s for i in out] == [None, None]
    assert "no times" in words[0]
