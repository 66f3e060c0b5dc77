"use strict";
(() => {
  const value = cell => {
    const data = cell.querySelector("data");
    if (data) return data.value === "" ? null : Number(data.value);
    return cell.textContent.trim().toLocaleLowerCase();
  };
  for (const table of document.querySelectorAll("table[data-sort]")) {
    const body = table.tBodies[0];
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") === "descending" ||
          (!head.hasAttribute("aria-sort") && !head.classList.contains("num"));
        heads.forEach(other => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const keyed = [...body.rows].map(row => [value(row.cells[column]), row]);
        keyed.sort(([a], [b]) => {
          if (a === b) return 0;
          if (a === null || a === "") return 1;
          if (b === null || b === "") return -1;
          const order = typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b));
          return up ? order : -order;
        });
        body.append(...keyed.map(([, row]) => row));
      });
    });
    const tools = document.getElementById(table.dataset.sort);
    if (!tools) continue;
    tools.hidden = false;
    const text = tools.querySelector("input");
    const pick = tools.querySelector("select");
    const told = tools.querySelector("output");
    const rows = [...body.rows];
    const filter = () => {
      const wanted = text.value.trim().toLocaleLowerCase();
      let shown = 0;
      for (const row of rows) {
        const fits = row.textContent.toLocaleLowerCase().includes(wanted) &&
          (!pick || pick.value === "" || row.dataset.client === pick.value);
        row.hidden = !fits;
        shown += fits;
      }
      told.textContent = `${shown} / ${rows.length}`;
    };
    text.addEventListener("input", filter);
    if (pick) pick.addEventListener("change", filter);
    filter();
  }
})();
