"""Pictures and pages of two runs side by side, as verifying compares them."""

from __future__ import annotations

from report_samples import noise_run, practice_run

from kitgauge.runs.verify_files import compared_files


def test_pictures_are_compared_by_content(tmp_path):
    run, other = practice_run(tmp_path / "run"), practice_run(tmp_path / "again")
    for folder in (run, other):
        (folder / "pictures").mkdir(exist_ok=True)
        for number in (1, 2, 3):
            (folder / "pictures" / f"0{number}-whole.jpg").write_bytes(b"\xff\xd8\xff" + bytes([number]))
    (run / "pictures" / "01-whole.jpg").write_bytes(b"\xff\xd8\xff changed")
    (run / "pictures" / "02-whole.jpg").unlink()
    (run / "pictures" / "09-whole.jpg").write_bytes(b"\xff\xd8\xff new")
    (run / "pictures" / "other.png").write_bytes(b"png")
    found = compared_files(run, other, protocol_sha256=None, numbers_kept=False)
    assert [item.path for item in found.differences] == [
        "pictures/01-whole.jpg, SHA-256",
        "pictures/09-whole.jpg, SHA-256",
    ]
    assert found.same == ("pictures/03-whole.jpg",)
    assert found.missing == ("pictures/02-whole.jpg", "report.html") and found.added == ("pictures/other.png",)


def test_a_page_that_is_another_altogether_is_one_difference(tmp_path):
    run, other = noise_run(tmp_path / "run"), noise_run(tmp_path / "again")
    (run / "report.html").write_text("<p>1" * 9000)
    (item,) = compared_files(run, other, protocol_sha256=None, numbers_kept=False).differences
    assert item.path == "report.html, line 1" and len(str(item.then)) < 200
