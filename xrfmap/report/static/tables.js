"use strict";
document.documentElement.classList.add("js");

/* The record unfolds for paper. */
(function () {
  let folded = [];
  window.addEventListener("beforeprint", function () {
    folded = Array.from(document.querySelectorAll("details.unfold:not([open])"));
    for (const part of folded) { part.open = true; }
  });
  window.addEventListener("afterprint", function () {
    for (const part of folded) { part.open = false; }
  });
})();

/* Tables: a button in every heading sorts by that column; empty cells stay last. */
(function () {
  function compare(kind, sign) {
    return function (a, b) {
      const x = a.order, y = b.order;
      const emptyX = x === "" || x === "-inf", emptyY = y === "" || y === "-inf";
      if (emptyX || emptyY) { return emptyX === emptyY ? a.at - b.at : (emptyX ? 1 : -1); }
      const way = kind === "number" ? Number(x) - Number(y)
        : x.localeCompare(y, "en", { numeric: true });
      return way === 0 ? a.at - b.at : sign * way;
    };
  }
  function sortBy(table, head, column) {
    const ascending = head.getAttribute("aria-sort") !== "ascending";
    for (const other of head.parentNode.children) { other.removeAttribute("aria-sort"); }
    head.setAttribute("aria-sort", ascending ? "ascending" : "descending");
    const body = table.tBodies[0];
    const rows = Array.from(body.rows, function (row, at) {
      return { row: row, at: at, order: row.cells[column].dataset.order };
    });
    rows.sort(compare(head.dataset.kind, ascending ? 1 : -1));
    for (const item of rows) { body.appendChild(item.row); }
  }
  for (const table of document.querySelectorAll("table.data")) {
    Array.from(table.tHead.rows[0].cells).forEach(function (head, column) {
      head.querySelector("button").addEventListener("click", function () {
        sortBy(table, head, column);
      });
    });
  }
})();
