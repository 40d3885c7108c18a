(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  const data = JSON.parse($("data").textContent);
  const t = data.words;
  const SVG = "http://www.w3.org/2000/svg";
  const SHAPES = ["M0-8 8 6H-8z", "M0-8 8 0 0 8-8 0z", "M-6.2 0a6.2 6.2 0 1 0 12.4 0a6.2 6.2 0 1 0-12.4 0z", "M-7-2.5H7v5H-7z"];

  /* Making elements. Text from the data is only ever set as text. */
  const grow = (node, attributes, children) => {
    for (const [name, value] of Object.entries(attributes || {}))
      if (value !== null && value !== undefined && value !== false) node.setAttribute(name, value === true ? "" : value);
    node.append(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== ""));
    return node;
  };
  const el = (name, attributes, ...children) => grow(document.createElement(name), attributes, children);
  const draw = (name, attributes, ...children) => grow(document.createElementNS(SVG, name), attributes, children);
  const say = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key]);
  const fixed = (value, digits) => value.toFixed(digits).replace(/^-(?=[0.]*$)/, "").replace("-", "−");
  const db = (value) => (value === null || value === undefined ? "–" : fixed(value, 1));
  const sign = (k) =>
    draw("svg", { class: `sign v${k}`, viewBox: "-10 -10 20 20", width: 16, height: 16, "aria-hidden": "true", focusable: "false" },
      draw("path", { d: SHAPES[k] }));
  const word = (text) => el("span", { class: "word" }, text);
  const months = t.months.split(" ");
  const day = (iso) => {
    const [year, month, date] = iso.split("-");
    return say(t.day, { day: Number(date), month: months[Number(month) - 1], year });
  };
  const after = (head, rest) => (rest ? `${head}, ${rest}` : head);
  const title = (place) => after(place.id, place.name);
  const verdict = (place) =>
    place.excess === null || place.verdict > 1 ? data.verdicts[place.verdict] : `${data.verdicts[place.verdict]} (${place.margin} dB)`;

  /* ---- the map ---- */
  const plan = $("plan");
  const frame = plan.parentElement;
  const fixes = [...plan.querySelectorAll(".fix")].map((node) => ({ node, x: Number(node.dataset.x), y: Number(node.dataset.y) }));
  const marks = [...plan.querySelectorAll(".mark")];
  const tags = marks.map((mark) => mark.querySelector(".tag"));
  const names = fixes.filter(({ node }) => node.querySelector(".name")).map(({ node, x, y }) => ({ node: node.querySelector(".name"), x, y }));
  const severity = data.receivers.map((_, k) => k)
    .sort((a, b) => data.receivers[a].verdict - data.receivers[b].verdict || (data.receivers[b].excess || 0) - (data.receivers[a].excess || 0));
  const all = { x: 0, y: 0, w: data.width, h: data.height };
  let view = { ...all };
  let perPixel = 1;

  const measure = () => {
    perPixel = Math.max(view.w / Math.max(plan.clientWidth, 1), view.h / Math.max(plan.clientHeight, 1));
  };
  const show = (next) => {
    if (next) view = next;
    measure();
    plan.setAttribute("viewBox", `${view.x} ${view.y} ${view.w} ${view.h}`);
    const scale = perPixel.toFixed(4);
    for (const { node, x, y } of fixes) node.setAttribute("transform", `translate(${x} ${y}) scale(${scale})`);
    const dot = Math.min(Math.max(26 / perPixel, 2.4), 6);
    plan.style.setProperty("--dot", `${dot.toFixed(2)}px`);
    plan.style.setProperty("--rim", `${(dot + (dot > 4 ? 1.6 : 0.7)).toFixed(2)}px`);
    labels();
    ruler();
  };
  /* Labels that would lie on another one are left out; the worst receivers come first. */
  const labels = () => {
    const taken = new Map();
    const cell = (x, y) => `${Math.floor(x / 60)} ${Math.floor(y / 18)}`;
    const room = (x, y, wide) => {
      let free = true;
      const cells = [];
      for (let cx = Math.floor(x / 60); cx <= Math.floor((x + wide) / 60); cx++)
        for (const cy of [y - 8, y + 8]) cells.push(cell(cx * 60, cy));
      for (const key of cells)
        for (const box of taken.get(key) || [])
          if (box.x < x + wide && x < box.x + box.w && Math.abs(box.y - y) < 15) free = false;
      return [free, () => { for (const key of new Set(cells)) taken.set(key, [...(taken.get(key) || []), { x, y, w: wide }]); }];
    };
    for (const k of severity) {
      const { x, y, id } = data.receivers[k];
      const [free, take] = room(x / perPixel + 11, y / perPixel, 8 * id.length + 4);
      tags[k].classList.toggle("off", !free && k !== chosen.receiver);
      if (free) take();
    }
    for (const { node, x, y } of names) {
      const wide = 7 * node.textContent.length, middle = node.getAttribute("text-anchor") === "middle";
      const [free, take] = room(x / perPixel + (middle ? -wide / 2 : 8), y / perPixel + (middle ? -11 : 0), wide);
      node.classList.toggle("off", !free);
      if (free) take();
    }
  };
  const ruler = () => {
    const most = (110 * perPixel) / 10;
    const size = 10 ** Math.floor(Math.log10(most));
    const metres = [5, 2, 1].map((n) => n * size).find((n) => n <= most) || size;
    const bar = $("scale");
    bar.hidden = false;
    bar.firstElementChild.style.width = `${(metres * 10) / perPixel}px`;
    bar.lastElementChild.textContent = metres >= 1000 ? say(t.kilometres, { n: metres / 1000 }) : say(t.metres, { n: metres });
  };
  const zoom = (factor, x = view.x + view.w / 2, y = view.y + view.h / 2) => {
    const w = Math.min(Math.max(view.w * factor, all.w / 400), all.w * 6);
    const ratio = w / view.w;
    show({ x: x - (x - view.x) * ratio, y: y - (y - view.y) * ratio, w, h: view.h * ratio });
  };
  const place = (event) => {
    const box = plan.getBoundingClientRect();
    return [
      view.x + view.w / 2 + (event.clientX - box.left - box.width / 2) * perPixel,
      view.y + view.h / 2 + (event.clientY - box.top - box.height / 2) * perPixel,
    ];
  };
  $("zoom-in").addEventListener("click", () => zoom(1 / 1.6));
  $("zoom-out").addEventListener("click", () => zoom(1.6));
  $("zoom-all").addEventListener("click", () => show({ ...all }));
  plan.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    zoom(Math.exp(event.deltaY / 300), ...place(event));
  }, { passive: false });

  const near = (x, y, pixels) => {
    const dots = data.facades;
    if (!dots) return null;
    let best = null, least = (pixels * perPixel) ** 2;
    for (let k = 0; k < dots.x.length; k++) {
      const far = (dots.x[k] - x) ** 2 + (dots.y[k] - y) ** 2;
      if (far < least) [best, least] = [k, far];
    }
    return best;
  };
  const fingers = new Map();
  let moved = false;
  plan.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    if (!fingers.size) moved = false;
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  });
  plan.addEventListener("pointermove", (event) => {
    const last = fingers.get(event.pointerId);
    if (!last) return hover(event);
    const now = { x: event.clientX, y: event.clientY };
    if (!moved && Math.hypot(now.x - last.x, now.y - last.y) < 5) return;
    if (!moved) {
      moved = true;
      plan.setPointerCapture(event.pointerId);
      plan.classList.add("held");
      hide();
    }
    const other = [...fingers].find(([id]) => id !== event.pointerId);
    if (other) {
      const gap = (point) => Math.hypot(point.x - other[1].x, point.y - other[1].y) || 1;
      const middle = { clientX: (now.x + other[1].x) / 2, clientY: (now.y + other[1].y) / 2 };
      zoom(gap(last) / gap(now), ...place(middle));
    }
    const part = other ? 0.5 : 1;
    show({ ...view, x: view.x - (now.x - last.x) * perPixel * part, y: view.y - (now.y - last.y) * perPixel * part });
    fingers.set(event.pointerId, now);
  });
  const release = (event) => {
    fingers.delete(event.pointerId);
    if (!fingers.size) plan.classList.remove("held");
  };
  plan.addEventListener("pointerup", release);
  plan.addEventListener("pointercancel", release);
  plan.addEventListener("pointerleave", () => hide());
  plan.addEventListener("click", (event) => {
    if (moved) return;
    const mark = event.target.closest(".mark");
    if (mark) return pick({ receiver: Number(mark.dataset.i) }, true);
    const dot = near(...place(event), 11);
    if (dot !== null && data.facades.building[dot] >= 0) return pick({ building: data.facades.building[dot], dot }, true);
    const house = event.target.closest(".b");
    if (house) pick({ building: Number(house.dataset.b) }, true);
  });

  /* ---- hovering ---- */
  const tip = $("tip");
  const hide = () => { tip.hidden = true; };
  const tell = (lines, x, y) => {
    tip.replaceChildren(...lines.map((line) => el("div", {}, line)));
    tip.hidden = false;
    const box = frame.getBoundingClientRect();
    const left = Math.min(Math.max(x - box.left + 14, 4), box.width - tip.offsetWidth - 4);
    const top = y - box.top + 16 + tip.offsetHeight > box.height ? y - box.top - tip.offsetHeight - 10 : y - box.top + 16;
    tip.style.left = `${left}px`;
    tip.style.top = `${top}px`;
  };
  const about = (entry) => [title(entry), `${data.quantities[0]} ${db(entry.levels[0])} dB`, verdict(entry)];
  const hover = (event) => {
    const mark = event.target.closest(".mark");
    if (mark) return tell(about(data.receivers[Number(mark.dataset.i)]), event.clientX, event.clientY);
    const dot = near(...place(event), 9);
    if (dot !== null) {
      const levels = data.facades.levels;
      const last = levels.length - 1;
      return tell([data.facades.id[dot], `${data.quantities[0]} ${db(levels[0][dot])} dB`, `${data.quantities[last]} ${db(levels[last][dot])} dB`],
        event.clientX, event.clientY);
    }
    const house = event.target.closest(".b");
    if (house) return tell(about(data.buildings[Number(house.dataset.b)]), event.clientX, event.clientY);
    hide();
  };
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") hide(); });

  /* ---- keys on the map: one stop for Tab, arrows go to the nearest receiver in their direction ---- */
  const WAYS = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowDown: [0, 1], ArrowUp: [0, -1] };
  const towards = (from, [dx, dy]) => {
    let best = null, least = Infinity;
    data.receivers.forEach((other, k) => {
      const x = other.x - data.receivers[from].x, y = other.y - data.receivers[from].y;
      const along = x * dx + y * dy, aside = Math.abs(x * dy) + Math.abs(y * dx);
      if (k === from || along <= 0 || aside > 2 * along) return;
      const cost = along + 2 * aside;
      if (cost < least) [best, least] = [k, cost];
    });
    return best;
  };
  const stop = (k) => marks.forEach((mark, n) => mark.setAttribute("tabindex", n === k ? 0 : -1));
  const inView = (x, y) => {
    const edge = 20 * perPixel;
    if (x < view.x + edge || x > view.x + view.w - edge || y < view.y + edge || y > view.y + view.h - edge)
      show({ ...view, x: x - view.w / 2, y: y - view.h / 2 });
  };
  plan.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const mark = event.target.closest(".mark");
    const from = mark ? Number(mark.dataset.i) : null;
    const go = (k) => {
      if (k === null || !marks[k]) return;
      stop(k);
      inView(data.receivers[k].x, data.receivers[k].y);
      marks[k].focus({ preventScroll: true });
    };
    if (event.key in WAYS && mark) go(towards(from, WAYS[event.key]));
    else if (event.key === "Home" && mark) go(0);
    else if (event.key === "End" && mark) go(marks.length - 1);
    else if ((event.key === "Enter" || event.key === " ") && mark) pick({ receiver: from }, true);
    else if (event.key === "+" || event.key === "=") zoom(1 / 1.6);
    else if (event.key === "-") zoom(1.6);
    else if (event.key === "0") show({ ...all });
    else return;
    event.preventDefault();
  });
  plan.addEventListener("focusin", (event) => {
    const mark = event.target.closest(".mark");
    if (!mark || !mark.matches(":focus-visible")) return;
    const box = mark.getBoundingClientRect();
    tell(about(data.receivers[Number(mark.dataset.i)]), box.right, box.bottom);
  });
  plan.addEventListener("focusout", hide);

  for (const input of document.querySelectorAll('input[name="layer"]'))
    input.addEventListener("change", () => {
      for (const layer of plan.querySelectorAll("[data-layer]")) layer.classList.toggle("off", layer.dataset.layer !== input.value);
      for (const legend of document.querySelectorAll("[data-legend]")) legend.hidden = legend.dataset.legend !== input.value;
    });

  /* ---- the panel of one place ---- */
  const panel = $("panel");
  const block = (head, ...children) => el("div", { class: "block" }, el("h4", {}, head), ...children);
  const folded = (head, ...children) => el("details", { class: "block" }, el("summary", {}, el("h4", {}, head)), ...children);
  const row = (...cells) => el("tr", {}, cells);
  const headRow = (...names) => el("thead", {}, row(...names.map(([name, num]) => el("th", { scope: "col", class: num && "num" }, name))));
  const num = (text) => el("td", { class: "num" }, text);
  const choose = (what, label, names, index, change) => {
    const list = el("select", { "data-what": what }, names.map((name, k) => el("option", { value: k, selected: k === index }, name)));
    list.addEventListener("change", () => change(Number(list.value)));
    return el("label", {}, label, list);
  };

  const levels = (entry) => el("dl", { class: "levels" }, data.quantities.map((name, k) =>
    el("div", {}, el("dt", {}, name), el("dd", {}, db(entry.levels[k]), el("small", {}, " dB")),
      entry.intervals && entry.intervals[k] !== "–" ? el("dd", { class: "interval" }, say(t.ninety, { interval: entry.intervals[k] })) : "")));
  const noted = (note, entry) => ("front" in entry ? `${note}_buildings` : note);
  const levelsNote = (entry) => (entry.intervals ? el("p", { class: "small" }, data.sure[noted("levels", entry)]) : "");

  const limits = (entry) => {
    const made = entry.findings.filter((f) => f.verdict < 3);
    const missing = entry.findings.filter((f) => f.verdict === 3);
    if (!entry.findings.length) return block(t.limits, el("p", {}, t.no_limits));
    const body = [];
    let last = null;
    for (const f of made) {
      if (f.criterion !== last) body.push(el("tr", { class: "group" }, el("th", { scope: "colgroup", colspan: 5 }, data.criteria[f.criterion])));
      last = f.criterion;
      const drawn = [f.interval && say(t.ninety_db, { interval: f.interval }), f.chance && say(t.above_limit, { share: f.chance })].filter(Boolean);
      body.push(row(el("th", { scope: "row" }, f.quantity, drawn.map((text) => [el("br"), el("span", { class: "small" }, text)])), num(f.compared), num(f.limit), num(f.difference),
        el("td", {}, sign(f.verdict), word(data.short[f.verdict]), f.unsure ? el("abbr", { title: t.unsure }, " ±") : "")));
    }
    return block(t.limits,
      made.length ? el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": t.limits }, el("table", { class: "limits" },
        headRow([t.quantity], [t.compared, 1], [t.limit, 1], [t.difference, 1], [t.verdict]), el("tbody", {}, body))) : "",
      made.some((f) => f.interval || f.chance) ? el("p", { class: "small" }, data.sure[noted("limits", entry)]) : "",
      missing.length ? el("p", { class: "small" }, `${t.not_compared}: `, [...new Set(missing.map((f) => f.reason))].join(" ")) : "");
  };

  const settings = { by: 0, period: 0, series: 0, date: null };
  const bar = (share, kind) => draw("svg", { viewBox: "0 0 100 9", preserveAspectRatio: "none", "aria-hidden": "true", focusable: "false" },
    draw("rect", { class: "track", width: 100, height: 9 }), draw("rect", { class: kind, width: (100 * share).toFixed(2), height: 9 }));
  const contributions = (entry) => {
    const list = el("ul", { class: "bars" });
    const paint = () => {
      const rows = (entry.parts[settings.by] || []).filter((part) => part[1 + settings.period] !== null);
      const energy = rows.map((part) => 10 ** (part[1 + settings.period] / 10));
      const whole = energy.reduce((a, b) => a + b, 0);
      const order = rows.map((_, k) => k).sort((a, b) => (rows[a][0] === null) - (rows[b][0] === null) || energy[b] - energy[a]);
      list.replaceChildren(...(order.length ? order.map((k) =>
        el("li", {}, el("span", {}, rows[k][0] === null ? t.others : rows[k][0]), el("b", {}, `${db(rows[k][1 + settings.period])} dB`), bar(energy[k] / whole)))
        : [el("li", {}, t.nothing)]));
    };
    if (settings.by >= entry.parts.length) settings.by = 0;
    const node = block(t.parts, el("div", { class: "choice" },
      choose("by", t.by, entry.parts.map((_, k) => t[`by_${k}`]), settings.by, (k) => { settings.by = k; paint(); }),
      choose("period", t.period, data.quantities, settings.period, (k) => { settings.period = k; paint(); })), list, el("p", { class: "small" }, t.parts_note));
    paint();
    return node;
  };

  /* ---- the time line ---- */
  let redraw = null;
  const line = (entry) => {
    const own = entry.time, head = data.time;
    const when = head.dates.map((date) => Date.parse(date));
    const chart = draw("svg", { class: "chart", role: "img", "aria-label": say(t.time_label, { first: day(head.dates[0]), last: day(head.dates[head.dates.length - 1]) }) });
    const slider = el("input", { type: "range", class: "slider", id: "time-date", min: 0, max: head.dates.length - 1, step: 1, "aria-label": t.time_date });
    const out = el("output", { for: "time-date", id: "time-value" });
    if (settings.series >= own.series.length) settings.series = 0;
    if (settings.date === null) settings.date = head.at;
    slider.value = settings.date;
    let x = null;
    const paint = () => {
      const width = Math.max(chart.clientWidth, 260), height = 248;
      const { cases: [low, likely, high], before, limits: bounds } = own.series[settings.series];
      const values = [...low, ...likely, ...high, before].filter((v) => v !== null);
      if (!values.length) return chart.replaceChildren(draw("text", { x: 4, y: 20 }, t.nothing));
      const drawn = bounds.filter((limit) => limit > Math.min(...values) - 6 && limit < Math.max(...values) + 6);
      const floor = Math.floor(Math.min(...values, ...drawn) - 0.6), roof = Math.ceil(Math.max(...values, ...drawn) + 1.2);
      const [left, right, top, bottom] = [34, 8, 30, 26];
      x = (k) => left + ((when[k] - when[0]) / Math.max(when[when.length - 1] - when[0], 1)) * (width - left - right);
      const at = (date) => left + ((Date.parse(date) - when[0]) / Math.max(when[when.length - 1] - when[0], 1)) * (width - left - right);
      const y = (v) => top + ((roof - v) / (roof - floor)) * (height - top - bottom);
      const parts = [];
      const step = [1, 2, 5, 10].find((n) => (roof - floor) / n <= 7) || 20;
      for (let v = Math.ceil(floor / step) * step; v <= roof; v += step)
        parts.push(draw("line", { class: "grid", x1: left, x2: width - right, y1: y(v), y2: y(v) }), draw("text", { class: "soft", x: left - 6, y: y(v) + 4, "text-anchor": "end" }, String(v).replace("-", "−")));
      parts.push(draw("text", { class: "soft", x: 0, y: 11 }, "dB"));
      const years = [...new Set(head.dates.map((date) => date.slice(0, 4)))];
      const gap = Math.ceil(years.length / Math.max(Math.floor(width / 70), 1));
      years.forEach((year, n) => {
        const px = at(`${year}-01-01`);
        if (px >= left && px < width - right - 10 && n % gap === 0)
          parts.push(draw("line", { class: "grid", x1: px, x2: px, y1: top, y2: height - bottom + 5 }), draw("text", { class: "soft", x: px + 3, y: height - 9 }, year));
      });
      const path = (row) => {
        let text = "";
        row.forEach((v, k) => { if (v !== null) text += `${text && row[k - 1] !== null ? "L" : "M"}${x(k).toFixed(1)} ${y(v).toFixed(1)}`; });
        return text;
      };
      const known = likely.map((_, k) => k).filter((k) => low[k] !== null && high[k] !== null);
      if (known.length) parts.push(draw("path", { class: "band", d: `M${known.map((k) => `${x(k).toFixed(1)} ${y(high[k]).toFixed(1)}`).join("L")}L${known.reverse().map((k) => `${x(k).toFixed(1)} ${y(low[k]).toFixed(1)}`).join("L")}z` }));
      if (before !== null) parts.push(draw("line", { class: "before", x1: left, x2: width - right, y1: y(before), y2: y(before) }));
      for (const limit of drawn)
        parts.push(draw("line", { class: "limit", x1: left, x2: width - right, y1: y(limit), y2: y(limit) }),
          draw("text", { class: "limit-text halo", x: width - right, y: y(limit) - 4, "text-anchor": "end" }, say(t.limit_of, { limit: String(limit) })));
      for (const [date] of head.works) {
        const px = at(date);
        if (px >= left && px <= width - right) parts.push(draw("line", { class: "work", x1: px, x2: px, y1: top - 12, y2: height - bottom }));
      }
      parts.push(draw("path", { class: "likely", d: path(likely) }));
      if (before !== null) parts.push(draw("text", { class: "soft halo", x: width - right, y: y(before) + 14, "text-anchor": "end" }, say(t.before, { level: db(before) })));
      const k = settings.date;
      parts.push(draw("line", { class: "now", x1: x(k), x2: x(k), y1: top, y2: height - bottom }));
      if (likely[k] !== null) parts.push(draw("circle", { class: "spot", cx: x(k), cy: y(likely[k]), r: 5 }));
      chart.setAttribute("viewBox", `0 0 ${width} ${height}`);
      chart.replaceChildren(...parts);
      const said = say(t.time_at, { date: day(head.dates[k]), likely: db(likely[k]), low: db(low[k]), high: db(high[k]) });
      out.textContent = said;
      slider.setAttribute("aria-valuetext", said);
    };
    const set = (k) => { settings.date = k; slider.value = k; paint(); };
    const nearest = (event) => {
      if (!x) return;
      const px = event.clientX - chart.getBoundingClientRect().left;
      let best = 0;
      when.forEach((_, k) => { if (Math.abs(x(k) - px) < Math.abs(x(best) - px)) best = k; });
      set(best);
    };
    chart.addEventListener("pointerdown", nearest);
    chart.addEventListener("pointermove", (event) => { if (event.buttons || event.pointerType === "mouse") nearest(event); });
    slider.addEventListener("input", () => set(Number(slider.value)));
    redraw = paint;
    return block(t.time,
      el("div", { class: "choice" }, choose("series", t.time_of, own.series.map((s) => s.name), settings.series, (k) => { settings.series = k; paint(); })),
      chart, slider, out,
      head.works.length ? el("ul", { class: "plain small" }, head.works.map(([date, what]) => el("li", {}, say(t.work, { date: day(date), what })))) : "",
      own.returns.length ? el("table", {}, headRow([t.returns], [t.low_likely_high]), el("tbody", {}, own.returns.map(([margin, dates]) =>
        row(el("th", { scope: "row" }, say(t.within, { margin })), el("td", {}, dates))))) : "",
      own.kept.length ? el("table", {}, headRow([t.limit], [`${t.kept} (${t.low_likely_high})`]), el("tbody", {}, own.kept.map(([quantity, limit, what, kept]) =>
        row(el("th", { scope: "row" }, `${quantity} ${limit} dB`, el("br"), el("span", { class: "small" }, what)), el("td", {}, kept))))) : "",
      el("p", { class: "small" }, head.note));
  };

  const reasons = (why) => {
    const most = Math.max(...why.causes.map(([, , change]) => Math.abs(change)), 0.1);
    return block(t.why,
      el("p", {}, say(t.why_from, { start: why.start, from: db(why.from), end: why.end, to: db(why.to) })),
      el("ul", { class: "bars" }, why.causes.map(([name, text, change]) =>
        el("li", {}, el("span", {}, name), el("b", {}, `${text} dB`), bar(Math.abs(change) / most, change > 0 ? "up" : "down")))),
      why.sentences.map((text) => el("p", { class: "small" }, text)),
      data.forecast ? el("p", { class: "small" }, data.forecast) : "");
  };
  const rowsOf = (names, rows) => el("table", {}, headRow(...names), el("tbody", {}, rows.map(([first, ...rest]) =>
    row(el("th", { scope: "row" }, first), rest.map((cell) => (typeof cell === "number" || cell === null ? num(db(cell)) : el("td", {}, cell)))))));
  const table = (head, names, rows) => folded(head, rowsOf(names, rows));

  const heading = (entry) => [
    el("h3", { id: "panel-head", tabindex: -1 }, title(entry)),
    el("p", { class: `verdict c${entry.verdict}` }, sign(entry.verdict), verdict(entry)),
  ];
  const receiverPanel = (entry) => [
    ...heading(entry),
    el("p", { class: "small" }, say(t.use_facts, entry), entry.persons || entry.dwellings ? `; ${say(t.people, entry)}` : ""),
    levels(entry), levelsNote(entry), limits(entry),
    contributions(entry),
    entry.time ? line(entry) : "",
    entry.why && entry.why.causes.length ? reasons(entry.why) : "",
    data.options.some((o) => entry.id in o.lden)
      ? block(t.with_options, rowsOf([[t.quantity], [`${data.quantities[0]}, dB`, 1]], data.options.filter((o) => entry.id in o.lden).map((o) => [o.title, o.lden[entry.id]]))) : "",
    entry.passes && entry.passes.length ? table(t.passes, [[t.service], [t.state], [t.lafmax, 1], [t.lae, 1]], entry.passes) : "",
    entry.tones && entry.tones.length ? folded(t.tones, el("ul", { class: "plain" }, entry.tones.map(([service, hz, fresh, now]) =>
      el("li", {}, say(t.tone_row, { service, hz, fresh }), now ? say(t.tone_now, { now }) : "")))) : "",
    entry.states && entry.states.length > 1
      ? grow(table(t.states, [[t.state], [`${data.quantities[0]}, dB`, 1]], entry.states), {}, [el("p", { class: "small" }, `${t.states_note} ${data.forecast}`)]) : "",
    entry.passes ? "" : el("p", { class: "small" }, say(t.not_detailed, { n: data.detailed })),
  ];
  const buildingPanel = (entry, index, dot) => {
    const columns = data.facades;
    const kinds = [...new Set([0, data.quantities.length - 1])];
    const own = columns.id.map((_, k) => k).filter((k) => columns.building[k] === index).sort((a, b) => (columns.levels[0][b] ?? -999) - (columns.levels[0][a] ?? -999));
    if (dot !== undefined) own.sort((a, b) => (b === dot) - (a === dot));
    const body = el("tbody");
    const more = el("button", { type: "button", class: "screen" }, t.more);
    let shown = 0;
    const add = () => {
      body.append(...own.slice(shown, shown + 20).map((k) => el("tr", { class: k === dot && "on" }, el("th", { scope: "row" }, columns.id[k]), num(db(columns.height[k])), kinds.map((n) => num(db(columns.levels[n][k]))))));
      shown = Math.min(shown + 20, own.length);
      more.hidden = shown === own.length;
    };
    more.addEventListener("click", add);
    add();
    return [
      ...heading(entry),
      el("p", { class: "small" }, `${entry.use}; ${say(t.people, entry)}`),
      levels(entry), levelsNote(entry),
      entry.quiet === null ? "" : el("p", { class: "small" }, entry.quiet ? t.quiet_yes : t.quiet_no),
      limits(entry),
      block(t.facades, el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": t.facades }, el("table", {},
        headRow([t.facade], [t.height, 1], ...kinds.map((n) => [data.quantities[n], 1])), body)), more),
    ];
  };

  let chosen = {};
  const houses = [...plan.querySelectorAll(".b")];
  const pick = (next, told) => {
    chosen = next;
    redraw = null;
    const index = next.receiver !== undefined ? next.receiver : next.building;
    const entry = (next.receiver !== undefined ? data.receivers : data.buildings)[index];
    panel.replaceChildren(...(next.receiver !== undefined ? receiverPanel(entry) : buildingPanel(entry, index, next.dot)).filter((n) => n !== ""));
    if (redraw) redraw();
    marks.forEach((mark, k) => {
      mark.classList.toggle("on", k === next.receiver);
      mark.setAttribute("aria-pressed", String(k === next.receiver));
    });
    houses.forEach((house) => house.classList.toggle("on", Number(house.dataset.b) === next.building));
    if (next.receiver !== undefined) {
      stop(next.receiver);
      if (told) inView(entry.x, entry.y);
    }
    labels();
    for (const list of lists) list.mark();
    if (told) $("said").textContent = say(t.selected, { id: title(entry), level: db(entry.levels[0]), verdict: verdict(entry) });
  };

  /* ---- tables: sorted, searched, in portions ---- */
  const PORTION = 25;
  const PRINTED = 400;
  const lists = [];
  const list = (key, entries, kind) => {
    const node = $(`${key}-table`);
    if (!node) return;
    const body = node.tBodies[0], find = $(`${key}-find`), only = $(`${key}-only`), more = $(`${key}-more`), count = $(`${key}-count`);
    let order = ["verdict", 1], limit = PORTION, found = [];
    const value = (entry, name) => (name.startsWith("level-") ? entry.levels[Number(name.slice(6))] : entry[name]);
    const compare = (a, b) => {
      const [name, way] = order;
      const [p, q] = [value(a, name), value(b, name)];
      if (name === "verdict" && p === q) return (b.excess ?? -999) - (a.excess ?? -999);
      if (p === null || q === null) return (p === null) - (q === null);
      return way * (typeof p === "number" ? p - q : p.localeCompare(q, document.documentElement.lang, { numeric: true }));
    };
    const paint = () => {
      const text = find.value.trim().toLocaleLowerCase();
      found = entries.map((entry, k) => [entry, k])
        .filter(([e]) => (only.value === "" || e.verdict === Number(only.value)) && `${e.id} ${e.name} ${e.use}`.toLocaleLowerCase().includes(text))
        .sort(([a, i], [b, j]) => compare(a, b) || i - j);
      const wide = (k) => (k && k < data.quantities.length - 1 ? " wide" : "");
      body.replaceChildren(...found.slice(0, limit).map(([entry, k]) => {
        const open = el("button", { type: "button" }, entry.id);
        const line = el("tr", { "data-k": k }, el("th", { scope: "row" }, open), el("td", { class: "wide" }, entry.name), el("td", { class: "wide" }, entry.use),
          entry.levels.map((v, n) => el("td", { class: `num${wide(n)}` }, db(v))), num(entry.margin), el("td", {}, sign(entry.verdict), word(data.short[entry.verdict])));
        line.addEventListener("click", () => {
          pick({ [kind]: k }, true);
          $("map").scrollIntoView();
          $("panel-head").focus({ preventScroll: true });
          if (panel.getBoundingClientRect().top > innerHeight * 0.7) panel.scrollIntoView();
        });
        return line;
      }));
      count.textContent = say(t.rows, { shown: Math.min(limit, found.length), total: found.length });
      more.hidden = found.length <= limit;
      mark();
    };
    const mark = () => { for (const line of body.rows) line.classList.toggle("on", Number(line.dataset.k) === chosen[kind]); };
    for (const cell of node.tHead.rows[0].cells) {
      const button = el("button", { type: "button" }, cell.textContent);
      cell.replaceChildren(button);
      button.addEventListener("click", () => {
        const name = cell.dataset.sort;
        const first = name === "excess" || name.startsWith("level-") ? -1 : 1;
        order = [name, order[0] === name ? -order[1] : first];
        heads();
        paint();
      });
    }
    const heads = () => {
      for (const cell of node.tHead.rows[0].cells)
        if (cell.dataset.sort === order[0]) cell.setAttribute("aria-sort", order[1] > 0 ? "ascending" : "descending");
        else cell.removeAttribute("aria-sort");
    };
    find.addEventListener("input", () => { limit = PORTION; paint(); });
    only.addEventListener("change", () => { limit = PORTION; paint(); });
    more.addEventListener("click", () => { limit += PORTION; paint(); });
    find.closest(".tools").hidden = false;
    const whole = (printing) => {
      const kept = limit;
      if (printing) limit = Math.max(limit, PRINTED);
      paint();
      limit = kept;
    };
    lists.push({ mark, whole });
    heads();
    paint();
  };
  list("receivers", data.receivers, "receiver");
  list("buildings", data.buildings, "building");

  if (data.receivers.length) pick({ receiver: severity[0] }, false);
  else if (data.buildings.length) pick({ building: 0 }, false);
  show();
  let size = plan.clientWidth;
  const fit = () => {
    show();
    if (redraw) redraw();
  };
  addEventListener("resize", () => {
    if (plan.clientWidth !== size) fit();
    size = plan.clientWidth;
  });
  const folds = [];
  addEventListener("beforeprint", () => {
    for (const entry of lists) entry.whole(true);
    for (const fold of document.querySelectorAll("details:not([open])")) {
      fold.open = true;
      folds.push(fold);
    }
  });
  addEventListener("afterprint", () => {
    for (const entry of lists) entry.whole(false);
    for (const fold of folds.splice(0)) fold.open = false;
  });
  matchMedia("print").addEventListener("change", fit);
})();
