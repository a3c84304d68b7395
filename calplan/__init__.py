"""calplan turns exams, class material and a half-full week into a dated study plan in the student's calendar."""
