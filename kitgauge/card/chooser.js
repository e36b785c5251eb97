"use strict";
// Looks up what the planner has decided; decides nothing.
(function () {
  var table = JSON.parse(document.getElementById("cells").textContent);
  var pickers = ["hold", "lens", "subject", "light", "distance"].map(function (name) {
    return document.getElementById(name);
  });

  function number(signs, place) {
    var value = 0;
    for (var k = 0; k < table.width; k++) {
      value = value * table.signs.length + table.signs.indexOf(signs.charAt(place * table.width + k));
    }
    return value;
  }

  function texts(rows, items, row, column) {
    var cells = rows[row];
    var item = items[number(cells, cells.length === table.width ? 0 : column)];
    var found = [];
    for (var k = 0; k < item.length / table.width; k++) {
      found.push(table.texts[number(item, k)]);
    }
    return found;
  }

  function show(name, text) {
    var place = document.getElementById(name);
    place.textContent = text;
    if (place.tagName === "DD") {
      place.hidden = place.previousElementSibling.hidden = text === "";
    }
  }

  function update() {
    var line = 0;
    for (var k = 0; k < 4; k++) {
      line = line * table.sizes[k] + pickers[k].selectedIndex;
    }
    var column = pickers[4].selectedIndex;
    var answer = texts(table.answer_rows, table.answers, number(table.lines, 2 * line), column);
    var reach = texts(table.reach_rows, table.reaches, number(table.lines, 2 * line + 1), column);
    table.fields[0].forEach(function (name, k) { show(name, answer[k]); });
    table.fields[1].forEach(function (name, k) { show(name, reach[k]); });
    var mind = document.getElementById("mind");
    mind.textContent = "";
    answer.slice(table.fields[0].length).forEach(function (text) {
      mind.appendChild(document.createElement("li")).textContent = text;
    });
    document.querySelectorAll("button[data-for]").forEach(function (button) {
      var picker = document.getElementById(button.dataset.for);
      var next = picker.selectedIndex + Number(button.dataset.by);
      button.setAttribute("aria-disabled", next < 0 || next >= picker.options.length);
    });
  }

  document.addEventListener("click", function (event) {
    var button = event.target.closest("button[data-for]");
    if (!button) { return; }
    var picker = document.getElementById(button.dataset.for);
    var next = picker.selectedIndex + Number(button.dataset.by);
    if (next >= 0 && next < picker.options.length) {
      picker.selectedIndex = next;
      update();
    }
  });
  pickers.forEach(function (picker) { picker.addEventListener("change", update); });
  document.querySelectorAll(".settings, .pickers, .answer").forEach(function (part) { part.hidden = false; });
  update();
})();
