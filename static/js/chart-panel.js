/* The side panel (a sheet on a phone): what is known of the chosen spot or zone. */

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
  ofWhat,
  percent,
  sign,
  speciesName,
  squaresOf,
  when,
  where,
  whereSign,
} from "./chart-words.js";

/** One spot in a short list: sign, name, chance. */
export function row(feature) {
  const p = feature.properties;
  const doubt =
    p.probability == null
      ? '<span class="quiet">no chance worked out yet</span>'
      : `<span class="pick-doubt"><b>${percent(p.probability)}&nbsp;%</b>${bar(p, 90)}<span class="interval">${interval(p.interval)}</span></span>`;
  const what = ofWhat(p);
  return (
    `<li><button type="button" class="pick" data-spot="${escape(feature.id)}">` +
    `<span class="pick-name">${sign(whereSign(p), 20)}<span>${escape(p.name)}</span></span>` +
    `${p.grade ? `<span class="grade grade-${p.grade}">${sign(p.grade, 16)} ${p.grade}</span>` : '<span class="quiet">nothing yet</span>'}` +
    `<span class="sr-only">${chance(p)}</span><span aria-hidden="true" class="pick-line">${doubt}${what ? `<span class="pick-what">${escape(what)}</span>` : ""}</span></button></li>`
  );
}

export const byChance = (a, b) =>
  (b.properties.probability ?? -1) - (a.properties.probability ?? -1) ||
  (GRADE_RANK[b.properties.grade] ?? 0) - (GRADE_RANK[a.properties.grade] ?? 0) ||
  a.properties.name.localeCompare(b.properties.name);

export class Panel {
  /** aside: the element; its first content is what is said when nothing is chosen. */
  constructor(aside, { choose, close }) {
    this.aside = aside;
    this.body = aside.querySelector("[data-panel-body]");
    this.rest = this.body.innerHTML;
    this.handle = aside.querySelector(".sheet-handle");
    this.handle.addEventListener("click", () => this.tall(!aside.classList.contains("tall")));
    aside.addEventListener("click", (event) => {
      const pick = event.target.closest("[data-spot]");
      if (pick) choose("spot", pick.dataset.spot, true);
      else if (event.target.closest("[data-close]")) close();
    });
    aside.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && this.aside.classList.contains("chosen")) close();
    });
  }

  set(html, chosen = true) {
    this.body.innerHTML = html;
    this.aside.classList.toggle("chosen", chosen);
    this.aside.scrollTop = 0;
  }

  /** On a phone: the sheet low, or over most of the chart. */
  tall(on) {
    this.aside.classList.toggle("tall", on);
    this.handle.setAttribute("aria-expanded", String(on));
    this.handle.setAttribute("aria-label", on ? "Less of it" : "More of it");
  }

  /** Nothing chosen: the page's own words, and the spots most likely to hold fish now. */
  clear(features) {
    this.pending?.abort();
    this.set(this.rest, false);
    this.tall(false);
    const list = this.body.querySelector("[data-best]");
    if (!list) return;
    this.body.querySelector("[data-when]").textContent = when();
    const best = [...features].sort(byChance).slice(0, 12);
    list.innerHTML = best.map(row).join("");
    this.body.querySelector("[data-best-none]").hidden = best.length > 0;
  }

  zone({ spots, squares }) {
    const p = spots[0].properties;
    const n = spots.length;
    const count = n === 1 ? "1 spot" : `${n} spots`;
    this.set(
      `<div class="panel-head"><h2>Somewhere ${where({ precision: "area" }, squares)}</h2>` +
        '<button type="button" class="link-button" data-close>Close</button></div>' +
        `<p class="place place-area">${sign("area", 20)} ${count}, ${hectares(p.zone_ha)} of water to search` +
        `${p.search_hours ? `, about ${Math.round(p.search_hours)} h on side-scan` : ""}</p>` +
        '<p class="quiet">A spot here may lie anywhere in that water. The middle means nothing.</p>' +
        `<ul class="picks">${[...spots].sort(byChance).map(row).join("")}</ul>`,
    );
  }

  /** The spot's own panel from the server; from the chart's own answer until it comes, or if it does not. */
  async spot(feature, url) {
    this.pending?.abort();
    this.pending = new AbortController();
    const { signal } = this.pending;
    this.set(this.brief(feature));
    try {
      const answer = await fetch(url, { signal, headers: { "X-Fragment": "panel" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const html = await answer.text();
      if (!signal.aborted) {
        const held = this.aside.contains(document.activeElement);
        this.set(html);
        if (held) this.focus();
      }
    } catch (error) {
      if (error.name !== "AbortError")
        this.body.insertAdjacentHTML("beforeend", '<p class="notice">The rest did not load. Open the spot sheet to try again.</p>');
    }
  }

  brief(feature) {
    const p = feature.properties;
    const id = escape(feature.id);
    return (
      `<div class="panel-head"><h2>${escape(p.name)}</h2><button type="button" class="link-button" data-close>Close</button></div>` +
      `<p>${escape(cover(p))}</p>` +
      `<p class="place place-${whereSign(p)}">${sign(whereSign(p), 20)} ${where(p, squaresOf(feature.geometry))}${p.precision === "area" ? `, ${hectares(p.zone_ha)} of water to search` : ""}</p>` +
      (p.probability == null
        ? ""
        : `<h3 class="label">${escape(speciesName(p))} here ${when()}</h3><p class="doubt-head"><span class="figure-big">${percent(p.probability)}<small> %</small></span><span>90&nbsp;% interval<br><span class="interval">${interval(p.interval)}</span></span></p>`) +
      `<p class="grade grade-${p.grade || "none"}">${p.grade ? sign(p.grade, 20) : ""} ${gradeWord(p.grade)}${p.last_verified ? `, last verified ${day(p.last_verified)}` : ""}</p>` +
      `<p class="actions"><a class="button" href="/spots/${id}/">Open spot sheet</a></p>`
    );
  }

  focus() {
    const heading = this.body.querySelector("h2");
    if (!heading) return;
    heading.tabIndex = -1;
    heading.focus({ preventScroll: true });
  }
}
