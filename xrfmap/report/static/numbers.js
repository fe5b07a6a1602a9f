/* Numbers as xrfmap.numbers writes them: a true minus, groups of three from five figures on. */
const shownNumber = function (value, digits) {
  const plain = Number(digits ? value.toPrecision(digits) : Math.round(value));
  if (plain !== 0 && (Math.abs(plain) >= 1e7 || Math.abs(plain) < 1e-4) && digits) {
    const parts = plain.toExponential(digits - 1).split("e"), raised = "⁰¹²³⁴⁵⁶⁷⁸⁹";
    const power = parts[1].replace("+", "").replace(/[-0-9]/g, function (d) { return d === "-" ? "⁻" : raised[d]; });
    return parts[0].replace("-", "−") + " × 10" + power;
  }
  const halves = String(plain).replace("-", "−").split(".");
  if (halves[0].replace("−", "").length > 4) {
    halves[0] = halves[0].replace(/\B(?=([0-9]{3})+$)/g, "\u202f");
  }
  return halves.join(".");
};
