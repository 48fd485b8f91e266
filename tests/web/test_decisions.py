"""What specialists lower and managers lock, and pictures: who may, why, and what it does."""

from __future__ import annotations

import io

import httpx
import pandas as pd
import pytest
from PIL import Image

from tests.conftest import TIME_ZONE
from vaultplan.errors import BadRowsError
from vaultplan.loading import load
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.web.photos import MOST_OF_VISIT

from .conftest import Running
from .test_doors import csrf_of


def stored(board: Running, name: str) -> pd.DataFrame:
    with open_database(board.location) as database:
        return read_table(database, name)


def post(client: httpx.Client, path: str, **given: str) -> httpx.Response:
    return client.post(path, data={"csrf": csrf_of(client), **given})


def soon(days: int) -> str:
    """A day from today on, by the clocks of the town."""
    return f"{pd.Timestamp.now(TIME_ZONE) + pd.Timedelta(days=days):%Y-%m-%d}"


def test_an_override_is_made_by_a_specialist_with_reason_and_end_and_ended(board: Running):
    given = {"vault_id": "SM-0005", "step": "storm_drain", "why": "clear for years"}
    with board.client("planner") as planner:
        assert post(planner, "/overrides", expires_on=soon(3), **given).status_code == 403
    with board.client("specialist") as client:
        assert post(client, "/overrides", expires_on=soon(3), **given).status_code == 200
        mine = stored(board, "overrides").query("vault_id == 'SM-0005'")
        assert mine[["ladder", "step", "who", "why"]].to_numpy().tolist() == [
            ["method", "storm_drain", "specialist", "clear for years"]
        ]
        override_id = mine["override_id"].iloc[0]
        assert "clear for years" in client.get("/waters").text
        assert post(client, "/overrides/end", override_id=override_id).status_code == 200
        assert post(client, "/overrides/end", override_id=override_id).status_code == 409
    changes = stored(board, "changes")
    told = changes[changes["row_key"].eq(override_id)].sort_values("changed_at")
    assert told["after"].tolist() == ["storm_drain", "ended"]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"vault_id": "nowhere"}, "there is no vault nowhere"),
        ({"step": "bucket"}, "choose what it is set to"),
        ({"why": "  "}, "say why"),
        ({"expires_on": -1}, "today or later"),
        ({"expires_on": 91}, "90 days at the most"),
        ({"expires_on": "soon"}, "name the last day"),
    ],
)
def test_what_is_no_override_is_told(board: Running, wrong: dict[str, str | int], words: str):
    wrong = {key: soon(told) if isinstance(told, int) else told for key, told in wrong.items()}
    given = {"vault_id": "SM-0005", "step": "go", "why": "x", "expires_on": soon(3), **wrong}
    before = len(stored(board, "overrides"))
    with board.client("specialist") as client:
        answer = post(client, "/overrides", **given)
    assert answer.status_code == 422 and words in answer.text
    assert len(stored(board, "overrides")) == before


def test_visits_of_a_locked_period_neither_come_nor_change(start, tmp_path):
    board: Running = start()
    visits = stored(board, "visits")
    local = visits["visited_at"].dt.tz_convert("Etc/GMT+10")
    old = visits[local.dt.strftime("%Y-%m") == "2026-08"].iloc[0]
    sheet = tmp_path / "visits.csv"
    rows = [
        ["visit_id", "vault_id", "visited_at", "finding", "depth_in"],
        [*old[["visit_id", "vault_id"]], f"{old['visited_at']:%Y-%m-%dT%H:%M:%SZ}", "wet", "5"],
        ["N-1", "SM-0001", "2026-08-31T23:59:00-10:00", "wet", "5"],
        ["N-2", "SM-0001", "2026-09-01T00:00:00-10:00", "wet", "5"],
        ["N-3", "SM-0001", "2026-09-02T00:00:00-10:00", "wet", "5"],
    ]
    sheet.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
    with board.client("manager") as client:
        given = {"first_on": "2026-08-01", "last_on": "2026-08-31", "why": "reported"}
        assert post(client, "/locks", **given).status_code == 200
        assert "reported" in client.get("/report").text
        outcome = load(board.location, "visits", sheet).outcome.iloc[0]
        assert (outcome["new"], outcome["changed"], outcome["quarantined"]) == (2, 0, 2)
        now = stored(board, "visits").set_index("visit_id")
        assert "N-2" in now.index and "N-1" not in now.index
        pd.testing.assert_series_equal(
            now.loc[old["visit_id"]], visits.set_index("visit_id").loc[old["visit_id"]]
        )
        # Nor is one taken away by giving it another day.
        away = [rows[0], [*rows[1][:2], "2026-09-05T00:00:00-10:00", "wet", "5"]]
        away += [[f"N-{day}", "SM-0001", f"2026-09-{day}T00:00:00-10:00", "wet", "5"]
                 for day in (11, 12)]  # fmt: skip
        other = tmp_path / "away.csv"
        other.write_text("\n".join(",".join(row) for row in away) + "\n", encoding="utf-8")
        outcome = load(board.location, "visits", other).outcome.iloc[0]
        assert (outcome["new"], outcome["changed"], outcome["quarantined"]) == (2, 0, 1)
        with pytest.raises(BadRowsError, match="2026-08-01 to 2026-08-31, which is locked"):
            load(board.location, "visits", sheet, is_strict=True)
        lock_id = stored(board, "locked_periods")["lock_id"].iloc[0]
        assert post(client, "/locks/lift", lock_id=lock_id).status_code == 200
        assert post(client, "/locks/lift", lock_id=lock_id).status_code == 409
    assert load(board.location, "visits", sheet).outcome.iloc[0]["quarantined"] == 0
    with board.client("planner") as planner:
        assert post(planner, "/locks", **given).status_code == 403
    with board.client("manager") as client:
        backward = {"first_on": "2026-08-31", "last_on": "2026-08-01", "why": "x"}
        assert post(client, "/locks", **backward).status_code == 422


def picture(kind: str = "PNG", size: tuple[int, int] = (40, 20)) -> bytes:
    kept = io.BytesIO()
    Image.new("RGB", size, (90, 120, 30)).save(kept, kind)
    return kept.getvalue()


def test_pictures_are_kept_once_and_what_is_none_is_refused(board: Running):
    visit_id = str(stored(board, "visits")["visit_id"].iloc[0])
    with board.client("specialist") as client:
        headers = {"x-csrf-token": client.get("/api/session").json()["csrf"]}

        def send(content: bytes, visit: str = visit_id) -> httpx.Response:
            return client.post(f"/api/photos/{visit}", content=content, headers=headers)

        first = send(picture())
        assert first.status_code == 200 and send(picture()).json() == first.json()
        assert len(stored(board, "photos")) == 1
        shown = client.get(f"/photos/{first.json()['photo_id']}")
        assert shown.headers["content-type"] == "image/jpeg"
        for content in (b"", b"GIF89a", b"<svg/>", picture("GIF"), picture()[:60]):
            assert send(content).status_code == 400
        assert send(picture(), "nowhere").status_code == 400
        assert client.get("/photos/nothing").status_code == 404
        assert client.get("/photos/..%2f..%2fetc%2fpasswd").status_code == 404
        more = [send(picture(size=(40, 21 + n))).status_code for n in range(MOST_OF_VISIT)]
        assert more == [200] * (MOST_OF_VISIT - 1) + [400]
        assert client.post(f"/api/photos/{visit_id}", content=picture()).status_code == 403
