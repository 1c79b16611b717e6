/* The list that says what the chart says: every spot the reader may see, those without a place included. */

import {
  GRADE_RANK,
  bar,
  chance,
  cover,
  day,
  escape,
  gradeWord,
  hectares,
  interval,
  percent,
  sign,
  speciesName,
  squaresOf,
  when,
  where,
  whereSign,
} from "./chart-words.js";

const SORTS = {
  name: (f) => f.properties.name.toLowerCase(),
  chance: (f) => -(f.properties.probability ?? -1),
  grade: (f) => -(GRADE_RANK[f.properties.grade] ?? 0),
  verified: (f) => (f.properties.last_verified ? `0${invert(f.properties.last_verified)}` : "1"),
};

/** Newest first, as text. */
function invert(text) {
  return text.replace(/\d/g, (d) => 9 - d);
}

function line(feature) {
  const p = feature.properties;
  const doubt =
    p.probability == null
      ? '<span class="quiet">not worked out yet</span>'
      : `<span class="list-doubt" aria-hidden="true"><b>${percent(p.probability)}&nbsp;%</b>${bar(p, 84)}<span class="interval">${interval(p.interval)}</span></span><span class="sr-only">${chance(p)}</span>`;
  const search = p.precision === "exact" ? "" : `<br><small class="quiet">${hectares(p.zone_ha)}</small>`;
  return (
    `<tr data-row="${escape(feature.id)}"><th scope="row"><button type="button" class="link-button list-name" data-spot="${escape(feature.id)}">${escape(p.name)}</button>` +
    `${cover(p) ? `<br><small class="quiet">${escape(cover(p))}</small>` : ""}${p.paused ? '<br><small>paused</small>' : ""}${p.rest_until ? `<br><small>resting until ${day(p.rest_until)}</small>` : ""}</th>` +
    `<td data-label="How exactly"><span class="place place-${whereSign(p)}">${sign(whereSign(p), 18)} ${where(p, squaresOf(feature.geometry))}</span>${search}</td>` +
    `<td data-label="Species">${escape(speciesName(p))}</td>` +
    `<td data-label="Chance ${when()}">${doubt}</td>` +
    `<td data-label="Grade"><span class="grade grade-${p.grade || "none"}">${p.grade ? sign(p.grade, 18) : ""} ${p.grade ? gradeWord(p.grade) : '<span class="quiet">nothing yet</span>'}</span></td>` +
    `<td data-label="Last verified">${p.last_verified ? day(p.last_verified) : '<span class="quiet">never</span>'}</td></tr>`
  );
}

export class List {
  constructor(table, choose) {
    this.table = table;
    this.features = [];
    this.sort = "chance";
    table.addEventListener("click", (event) => {
      const sorter = event.target.closest("[data-sort]");
      const spot = event.target.closest("[data-spot]");
      if (sorter) this.by(sorter.dataset.sort);
      else if (spot) choose("spot", spot.dataset.spot, true);
    });
  }

  show(features) {
    this.features = features;
    this.by(this.sort);
  }

  by(sort) {
    this.sort = sort;
    const key = SORTS[sort];
    const sorted = [...this.features].sort((a, b) => {
      const [x, y] = [key(a), key(b)];
      if (x === y) return a.properties.name.localeCompare(b.properties.name);
      return x < y ? -1 : 1;
    });
    this.table.tBodies[0].innerHTML = sorted.map((f) => line(f)).join("");
    for (const button of this.table.querySelectorAll("[data-sort]")) {
      const head = button.closest("th");
      if (button.dataset.sort === sort) head.setAttribute("aria-sort", sort === "name" ? "ascending" : "descending");
      else head.removeAttribute("aria-sort");
    }
  }

  mark(id) {
    for (const tr of this.table.tBodies[0].rows) tr.classList.toggle("chosen", tr.dataset.row === String(id));
  }
}
