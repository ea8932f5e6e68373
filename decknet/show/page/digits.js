"use strict";

// Numbers as printed: the rule of decknet/digits.py. PLACES, its table, stands before this in the page.

const NONE = "\u2013";
const there = (v) => v !== null && v !== undefined && Number.isFinite(v);

const digits = (() => {
  const MINUS = "\u2212";
  // A positive number as a whole number times ten to a power, to twelve significant digits.
  function steady(size) {
    const [digits, power] = size.toExponential(11).split("e");
    return [Number(digits.replace(".", "")), Number(power) - 11];
  }
  const halvedUp = (whole, shift) => (shift >= 0 ? whole * 10 ** shift : Math.floor((whole + 10 ** -shift / 2) / 10 ** -shift));
  function placesOf(size, power, places) {
    const top = String(size).length - 1 + power;
    return top < 0 ? places[0] : top === 0 ? places[1] : top > 1 ? Math.min(places[2], 2 - top) : places[2];
  }
  function digitsText(whole, places) {
    const all = places <= 0 ? String(whole * 10 ** -places) : String(whole).padStart(places + 1, "0"), at = all.length - Math.max(places, 0);
    return all.slice(0, at).replace(/\B(?=(\d{3})+$)/g, ",") + (places > 0 ? "." + all.slice(at) : "");
  }
  function figureText(v, quantity) {
    if (!there(v)) return NONE;
    if (v === 0) return "0";
    const places = PLACES[quantity], [whole, power] = steady(Math.abs(v)), sign = v < 0 ? MINUS : "";
    let decimals = placesOf(whole, power, places), rounded = halvedUp(whole, power + decimals);
    if (!rounded) return "under " + digitsText(1, decimals);
    const further = placesOf(rounded, -decimals, places);
    if (further < decimals) { rounded = Math.floor(rounded / 10 ** (decimals - further)); decimals = further; }
    if (decimals <= 0 && rounded * 10 ** -decimals >= 1e6) {
      const millions = Math.max(0, 6 + decimals);
      return sign + digitsText(halvedUp(rounded, millions - 6 - decimals), millions) + " million";
    }
    return sign + digitsText(rounded, decimals);
  }
  function fixedText(v, places) {
    if (!there(v)) return NONE;
    const [whole, power] = v === 0 ? [0, 0] : steady(Math.abs(v)), rounded = halvedUp(whole, power + places);
    return (v < 0 && rounded ? MINUS : "") + digitsText(rounded, places);
  }
  return {
    number: figureText, money: (v) => figureText(v, "money"), area: (v) => figureText(v, "area"), points: (v) => figureText(v, "points"),
    crewDays: (v) => figureText(v, "days"), years: (v) => figureText(v, "years"), traffic: (v) => figureText(v, "whole"),
    share: (v) => figureText(there(v) ? 100 * v : NaN, "share"), pace: (v) => figureText(there(v) ? 100 * v : NaN, "pace"),
    count: (v) => fixedText(v, 0), setOut: (v) => fixedText(v, 2),
    given: (v) => { if (!there(v)) return NONE; const [whole, part] = String(Number(v.toPrecision(12))).split("."); return whole.replace("-", MINUS).replace(/\B(?=(\d{3})+$)/g, ",") + (part ? "." + part : ""); },
  };
})();
const percent = (share) => (there(share) ? digits.share(share) + " %" : "not known");
const squares = (m2) => digits.area(m2) + " m\u00b2";
