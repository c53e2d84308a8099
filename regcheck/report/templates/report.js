"use strict";
(() => {
  const table = document.getElementById("table");
  const verdict = document.getElementById("by-verdict"), kind = document.getElementById("by-kind"), text = document.getElementById("by-text");
  const shown = document.getElementById("shown"), nothing = document.getElementById("nothing");
  const groups = [...table.tBodies];
  const total = shown.textContent;

  // the elements of a family that pass are built when they are first asked for
  const build = (group) => {
    const rest = group.querySelector(":scope > template.rest");
    if (rest) rest.replaceWith(rest.content);
  };
  const rowsOf = (group) => [...group.rows].filter((row) => row.classList.contains("row"));
  const setOpen = (row, open) => {
    const evidence = row.nextElementSibling, stored = evidence.querySelector(":scope > td > template");
    if (open && stored) stored.replaceWith(stored.content);
    evidence.classList.toggle("opened", open);
    row.querySelector("button.open").setAttribute("aria-expanded", String(open));
  };
  const setUnfolded = (group, unfolded) => {
    if (unfolded) build(group);
    group.classList.toggle("unfolded", unfolded);
    group.querySelector("button.unfold").setAttribute("aria-expanded", String(unfolded));
  };

  table.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.classList.contains("open")) setOpen(button.closest("tr"), button.getAttribute("aria-expanded") !== "true");
    else if (button.classList.contains("unfold")) setUnfolded(button.closest("tbody"), button.getAttribute("aria-expanded") !== "true");
    else if (button.classList.contains("sort")) sortBy(button);
  });

  const cell = (row, number) => row.cells[number].textContent.trim();
  const keys = {
    rank: (row) => Number(row.dataset.rank),
    name: (row) => cell(row, 1),
    kind: (row) => cell(row, 2),
    share: (row) => -Number(row.dataset.share || row.closest("tbody").dataset.share),
    says: (row) => cell(row, 4),
  };
  const order = new Intl.Collator("en", { numeric: true });
  const sortBy = (button) => {
    const head = button.closest("th"), key = keys[button.dataset.key];
    const turn = head.getAttribute("aria-sort") === "ascending" ? -1 : 1;
    for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", turn > 0 ? "ascending" : "descending");
    const compare = (one, other) => {
      const difference = typeof one.key === "number" ? one.key - other.key : order.compare(one.key, other.key);
      return turn * difference || one.rank - other.rank;
    };
    const sorted = (items) => items.sort(compare);
    const keyed = (row, item) => ({ key: key(row), rank: Number(row.dataset.rank), item });
    for (const group of groups) {
      const pairs = rowsOf(group).map((row) => keyed(row, [row, row.nextElementSibling]));
      const rest = group.querySelector(":scope > template.rest");
      if (pairs.length > 1) for (const { item } of sorted(pairs)) item.forEach((row) => group.insertBefore(row, rest));
    }
    for (const { item } of sorted(groups.map((group) => keyed(group.rows[0], group)))) table.append(item);
  };

  const filter = () => {
    const words = text.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    const active = Boolean(verdict.value || kind.value || words.length);
    table.classList.toggle("filtered", active);
    let count = 0;
    for (const group of groups) {
      const head = group.rows[0];
      if (active && (!kind.value || [kind.value, "several"].includes(cell(head, 2)))) build(group);
      let any = 0;
      for (const row of rowsOf(group)) {
        const says = words.length ? (row.id + " " + row.textContent).toLowerCase() : "";
        const fits = (!kind.value || cell(row, 2) === kind.value) && (!verdict.value || row.dataset.verdict === verdict.value) && words.every((word) => says.includes(word));
        row.classList.toggle("out", active && !fits);
        row.nextElementSibling.classList.toggle("out", active && !fits);
        any += fits ? 1 : 0;
      }
      count += any;
      group.classList.toggle("out", active && !any);
    }
    shown.textContent = active ? `${count} of ${total}` : total;
    nothing.hidden = !active || count > 0;
  };
  for (const control of [verdict, kind]) control.addEventListener("change", filter);
  text.addEventListener("input", filter);
  verdict.form.addEventListener("submit", (event) => event.preventDefault());
  verdict.form.addEventListener("reset", () => setTimeout(filter));

  // a link to a finding opens it, wherever it is folded away
  const follow = () => {
    let id = "";
    try { id = decodeURIComponent(location.hash.slice(1)); } catch { return; }
    if (!id) return;
    let row = document.getElementById(id);
    if (!row) { groups.forEach(build); row = document.getElementById(id); }
    if (!row || !row.classList.contains("row")) return;
    if (row.classList.contains("folded")) setUnfolded(row.closest("tbody"), true);
    if (row.classList.contains("out") || row.closest("tbody").classList.contains("out")) { verdict.form.reset(); filter(); }
    setOpen(row, true);
    row.scrollIntoView({ block: "start" });
    row.querySelector("button.open").focus({ preventScroll: true });
  };
  window.addEventListener("hashchange", follow);
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    if (link && link.hash === location.hash) follow();
  });
  follow();
})();
