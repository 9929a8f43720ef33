import { describe, expect, it } from "vitest";
import { celsius, clock, digits, mass, parseNumber, percent, printed, rate, spoken, um } from "./format";

const plain = (text: string): string => text.replace(/\u202f/g, " ");

describe("numbers", () => {
  it("carry their unit and no more digits than mean something", () => {
    expect(plain(um(48.71))).toBe("48.7 µm");
    expect(plain(um(null))).toBe("–");
    expect(plain(celsius(-15))).toBe("−15.00 °C");
    expect(plain(percent(2.345))).toBe("2.35 %");
    expect(digits(1234.5)).toBe("1235");
    expect(digits(0)).toBe("0");
    expect(digits(Number.NaN)).toBe("–");
  });
  it("of rates and masses take the prefix that reads best", () => {
    expect(plain(rate(0.8))).toBe("0.80 µm/s");
    expect(plain(rate(0.0012))).toBe("1.2 nm/s");
    expect(plain(rate(-4.5e-6))).toBe("0 µm/s");
    expect(plain(mass(12.3))).toBe("12.3 µg");
    expect(plain(mass(0.0383))).toBe("38.3 ng");
    expect(plain(mass(1e-6))).toBe("1.00 pg");
  });
  it("in words of the server are printed with their signs, but never in what is to be typed", () => {
    expect(printed("at 15 um radius: cool to -12 degC, -3 % over ice")).toBe("at 15 µm radius: cool to −12 °C, −3 % over ice");
    expect(printed("plate_c = -15, radius_um")).toBe("plate_c = -15, radius_um");
  });
  it("of time are said as people say them, or as a clock does", () => {
    expect(spoken(390)).toBe("6 min 30 s");
    expect(spoken(59.7)).toBe("1 min");
    expect(spoken(4200)).toBe("1 h 10 min");
    expect(spoken(-90)).toBe("−1 min 30 s");
    expect(clock(390)).toBe("6:30");
    expect(clock(3661)).toBe("1:01:01");
    expect(clock(-5)).toBe("−0:05");
  });
});

describe("what a person types", () => {
  it.each([
    ["-15", -15],
    ["−14,5", -14.5],
    [" .5 ", 0.5],
    ["abc", null],
    ["", null],
    ["1e5", null],
    ["--3", null],
  ])("number %s", (text, want) => expect(parseNumber(text)).toBe(want));
});
